/* What is selected: everything that the record says of it, down to the bytes. */

import { byId, made, write } from "../dom.js";
import { asked } from "./api.js";
import { SHAPES, outcome } from "./words.js";

let newest = 0;

/** Show a mark. */
export async function showChosen(job, mark) {
  newest = mark.number;
  write(byId("chosen-title"), mark.text);
  let found;
  try {
    found = await asked(`jobs/${encodeURIComponent(job)}/events/${mark.number}`);
  } catch (error) {
    return byId("chosen").replaceChildren(made("p", { class: "refused" }, error.message));
  }
  if (newest !== mark.number) return;
  const judged = SHAPES[mark.outcome] ? [made("p", { class: "outcome" }, outcome(mark.outcome))] : [];
  byId("chosen").replaceChildren(...judged, rows(found.rows), ...bytes(found.frames), ...budget(found.budget));
}

function rows(pairs) {
  return made("dl", { class: "facts" }, ...pairs.map(([name, text]) => made("div", {}, made("dt", {}, name), made("dd", {}, text))));
}

function bytes(frames) {
  if (!frames.length) return [];
  return [folded(`Bytes of the last ${frames.length} readings`, ["Time", "Display", "Bytes"], frames, "frame")];
}

function budget(lines) {
  return lines.length ? [folded("Uncertainty, line by line", ["Source", "Standard uncertainty", "From"], lines)] : [];
}

function folded(title, heads, lines, last) {
  return made("details", {}, made("summary", {}, title), made("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": title },
    made("table", {}, made("thead", {}, made("tr", {}, ...heads.map((head) => made("th", { scope: "col" }, head)))),
      made("tbody", {}, ...lines.map((line) => made("tr", {}, ...line.map((cell, at) => made("td", { class: at === 2 ? last : null }, cell || "none"))))))));
}
