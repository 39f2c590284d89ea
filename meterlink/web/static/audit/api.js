/* What the record answers. Nothing is ever sent that would change it. */

/** Ask; the answer, or an error whose message a person can read. */
export async function asked(path, options = {}) {
  let response;
  try {
    response = await fetch(`/audit/api/${path}`, options);
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Error("Steadypoint does not answer. Is it running still?");
  }
  if (!response.ok) throw new Error((await response.text()) || `Steadypoint refuses this (${response.status}).`);
  return response.json();
}
