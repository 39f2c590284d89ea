/* Who is logged in, where the pages ask for that; elsewhere the answer is empty, and nothing is shown. */

/** Show who is logged in, in a link to the page where one logs out; return the role, null where nobody logs in. */
export async function showWho(link) {
  const answer = await asked();
  if (answer?.status !== 200) return null;
  const { who, role } = await answer.json();
  link.textContent = `Logged in as ${who}, ${role}: log out`;
  link.hidden = false;
  return role;
}

/** Go to the login, should it have ended. */
export async function leaveIfOut() {
  const answer = await asked();
  if (answer?.status === 401) location.replace("/login");
}

async function asked() {
  try {
    return await fetch("/session");
  } catch {
    return null;
  }
}
