/* One job on its timeline. Every move has a button and a key; the table says in words what the picture shows. */

import { byId, made, write } from "../dom.js";
import { asked } from "./api.js";
import { Chart } from "./chart.js";
import { showChosen } from "./chosen.js";
import { judgesAgain, showProof } from "./proof.js";
import { offersWhatIf, proposes } from "./what-if.js";
import { SHAPES, counts, outcome, time } from "./words.js";

const name = decodeURIComponent(location.pathname.split("/").at(-1));
const job = encodeURIComponent(name);
const WAIT_MS = 70;
const SPARE = 0.25;
const LEAST_S = 0.05;
const KEYS = { f: "fail", F: "fail-back", n: "touch", p: "touch-back", e: "any", E: "any-back", ArrowLeft: "earlier", ArrowRight: "later", "+": "in", "=": "in", "-": "out", "−": "out", z: "touch-close", 0: "whole" };

const chart = new Chart(byId("chart"), (from, to) => look(from, to, true), (number) => choose(shown?.marks.find((mark) => mark.number === number)));

/* The chart library is large and comes when it comes: what is words stands before. */
const library = new Promise((resolve, reject) => {
  if (globalThis.Plotly) resolve();
  byId("library").addEventListener("load", resolve);
  byId("library").addEventListener("error", () => reject(new Error("The chart library could not be loaded.")));
});
library.catch(() => {});

let whole = 1;
let view = null;
let shown = null;
let mark = null;
let asking = null;
let drawnAt = 0;

async function begin() {
  write(byId("title"), name);
  document.title = `${name} – Steadypoint`;
  judgesAgain(job);
  const offered = offersWhatIf(job);
  let line = null;
  try {
    line = await asked(`jobs/${job}`);
    sumUp(line);
    await open();
  } catch (error) {
    write(byId("trouble"), error.message);
    write(byId("range"), "");
  }
  // The proof goes through the whole record, so the picture comes first; it is wanted all the more where there is none.
  showProof(job, line?.sealed_to);
  await offered;
  if (line) proposes(line.procedure.split(" ")[0]);
}

async function open() {
  const size = await asked(`jobs/${job}/size`);
  whole = size.seconds;
  if (size.unreadable) write(byId("trouble"), `${size.unreadable} readings cannot be read any more; the proof says more.`);
  await library;
  const margin = 0.02 * whole;
  view = { from: -margin, to: whole + margin };
  await fetchWindow();
}

function sumUp(line) {
  write(byId("title"), `${line.job}: ${line.title}`);
  if (line.trouble) write(byId("trouble"), line.trouble);
  else byId("counts").replaceChildren(...counts(line));
  const lost = line.lost_between ? `between ${line.lost_between[0]} and ${line.lost_between[1]}` : null;
  const facts = { State: line.state, "Voltage lost": lost, Lift: line.lift, Operator: line.operator, Procedure: line.procedure, Started: line.started, Meter: line.meter, Software: line.software };
  byId("about").replaceChildren(...Object.entries(facts).filter(([, text]) => text).map(([term, text]) => made("div", {}, made("dt", {}, term), made("dd", {}, text))));
}

/* The view */

/** Look at a stretch of time; `drawn`: a hand has moved the picture there already. */
function look(from, to, drawn = false) {
  const length = Math.min(Math.max(to - from, LEAST_S), whole * 1.04);
  const middle = (from + to) / 2;
  const first = Math.min(Math.max(middle - length / 2, -0.02 * whole), 1.02 * whole - length);
  view = { from: first, to: first + length };
  if (!drawn && shown) draw();
  clearTimeout(look.wait);
  look.wait = setTimeout(fetchWindow, WAIT_MS);
}

async function fetchWindow() {
  asking?.abort();
  asking = new AbortController();
  const { signal } = asking;
  const length = view.to - view.from;
  const sides = { from: view.from - SPARE * length, to: view.to + SPARE * length, columns: Math.round(chart.columns * (1 + 2 * SPARE)) };
  try {
    const found = await asked(`jobs/${job}/window?${new URLSearchParams(sides)}`, { signal });
    if (signal.aborted) return;
    shown = found;
  } catch (error) {
    if (error.name !== "AbortError") write(byId("trouble"), error.message);
    return;
  }
  await draw();
  tell();
}

function draw() {
  drawnAt = chart.columns;
  return chart.draw(shown, view, mark);
}

function tell() {
  const step = (view.to - view.from) / 100;
  const inside = shown.marks.filter((each) => each.to >= view.from && each.from <= view.to);
  const more = shown.left_out ? `; ${shown.left_out} more are not shown: zoom in` : "";
  const words = `${time(Math.max(0, view.from), step)} to ${time(Math.min(whole, view.to), step)} of ${time(whole, 1)}`;
  write(byId("range"), words);
  byId("board").dataset.view = `${view.from} ${view.to}`;
  write(byId("caption"), `${words}: ${inside.length} events beside the readings${more}`);
  const held = document.activeElement?.closest?.("#rows button")?.dataset.number;
  byId("rows").replaceChildren(...inside.map(row));
  if (held) byId("rows").querySelector(`[data-number="${held}"]`)?.focus();
}

function row(each) {
  const pick = made("button", { type: "button", "data-number": each.number }, time(each.from));
  pick.addEventListener("click", () => choose(each));
  const words = SHAPES[each.outcome] ? [made("span", { class: "dim" }, each.kind), " ", each.text, " ", outcome(each.outcome)] : [made("span", { class: "dim" }, each.kind), ` ${each.text}`];
  return made("tr", { "aria-current": each.number === mark?.number ? "true" : null }, made("td", {}, pick), made("td", {}, ...words));
}

/* What is selected */

function choose(found) {
  if (!found) return;
  mark = found;
  showChosen(name, found);
  for (const each of byId("rows").children) {
    const own = each.querySelector("button").dataset.number === String(found.number);
    if (own) each.setAttribute("aria-current", "true");
    else each.removeAttribute("aria-current");
  }
  const length = view.to - view.from;
  const inside = found.from >= view.from && found.to <= view.to;
  if (inside) draw();
  else look((found.from + found.to - length) / 2, (found.from + found.to + length) / 2);
}

async function goTo(what, back) {
  const from = { what, way: back ? "back" : "on", number: mark?.number ?? 0, at: back ? whole + 1 : -1 };
  try {
    const { mark: found } = await asked(`jobs/${job}/beside?${new URLSearchParams(from)}`);
    if (found) choose(found);
    else write(byId("range"), `There is no ${what === "any" ? "event" : what} ${back ? "before" : "after"} this.`);
  } catch (error) {
    write(byId("trouble"), error.message);
  }
}

function zoom(factor) {
  const length = (view.to - view.from) * factor;
  const inside = mark && mark.to >= view.from && mark.from <= view.to;
  const middle = inside ? (mark.from + mark.to) / 2 : (view.from + view.to) / 2;
  look(middle - length / 2, middle + length / 2);
}

function pan(share) {
  const by = (view.to - view.from) * share;
  look(view.from + by, view.to + by);
}

function close() {
  if (!mark) return;
  const [from, to] = mark.around;
  const room = Math.max(2, 0.6 * (to - from));
  look(from - room, to + room);
}

const DOES = {
  fail: () => goTo("fail", false), "fail-back": () => goTo("fail", true),
  touch: () => goTo("touch", false), "touch-back": () => goTo("touch", true),
  any: () => goTo("any", false), "any-back": () => goTo("any", true),
  earlier: () => pan(-0.25), later: () => pan(0.25), in: () => zoom(0.5), out: () => zoom(2),
  "touch-close": close, whole: () => look(-0.02 * whole, 1.02 * whole),
};

for (const button of document.querySelectorAll("[data-do]")) {
  button.addEventListener("click", () => view && DOES[button.dataset.do]());
}
byId("timeline").addEventListener("keydown", (event) => {
  const does = KEYS[event.key];
  if (!does || !view || event.ctrlKey || event.altKey || event.metaKey) return;
  event.preventDefault();
  DOES[does]();
});
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => shown && draw());
new ResizeObserver(() => {
  if (!shown || chart.columns === drawnAt) return;
  draw();
  look(view.from, view.to, true);
}).observe(byId("board"));

begin();
