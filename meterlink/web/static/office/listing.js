/* A search whose words stand in the page's address, and its answers some at a time. */

import { byId, show, write } from "../dom.js";
import { leaveIfOut, showWho } from "../session.js";

const LONGEST_MS = 30_000;

/** Let a form ask `path`; `each` is called with every answer and whether it is the first. */
export function listing(path, each) {
  const form = byId("wanted");
  for (const [name, value] of new URLSearchParams(location.search)) if (form.elements[name]) form.elements[name].value = value;
  let before = null;
  const ask = async () => {
    const query = new URLSearchParams([...new FormData(form)].filter(([, value]) => value));
    const first = before === null;
    if (first) history.replaceState(null, "", query.size ? `?${query}` : location.pathname);
    else query.set("before", before);
    write(byId("words"), "Searching …");
    try {
      const answer = await fetch(`${path}?${query}`, { signal: AbortSignal.timeout(LONGEST_MS) });
      if (answer.status === 401) leaveIfOut();
      if (!answer.ok) throw new Error(await answer.text());
      const body = await answer.json();
      before = body.before;
      write(byId("words"), each(body, first));
      show(byId("more"), before !== null);
    } catch (error) {
      write(byId("words"), error instanceof TypeError || error.name === "TimeoutError" ? "No link. Try again." : error.message);
    }
  };
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    before = null;
    ask();
  });
  byId("more").addEventListener("click", ask);
  showWho(byId("who"));
  ask();
}
