/* How the page stands: its link to the office, and what the office process says of itself. */

import { byId, show, write } from "../dom.js";

/** Show the link; `seconds` of silence, or null while there is none. */
export function showLink(seconds, known = true) {
  const kind = seconds === null ? (known ? "live" : "none") : "lost";
  byId("link").dataset.link = kind;
  document.body.dataset.link = kind;
  write(byId("link"), { live: "linked", none: "no link yet", lost: `no link since ${seconds} s` }[kind]);
}

/** Show what the office process says while it does not hear the crews. */
export function showNews(reached, news) {
  write(byId("office-news"), reached ? "" : `The office does not hear the crews: ${news || "not connected yet"}.`);
  show(byId("office-news"), !reached);
}
