/* The list of jobs: found by words, each with its verdicts and what its proof says. */

import { byId, made, show, write } from "../dom.js";
import { asked } from "./api.js";
import { counts, recordState, unknownState } from "./words.js";

const WAIT_MS = 200;

let begin = 0;
let round = 0;

async function list() {
  const mine = ++round;
  let page;
  try {
    page = await asked(`jobs?${new URLSearchParams({ find: byId("find").value, begin })}`);
  } catch (error) {
    return write(byId("found"), error.message);
  }
  if (mine !== round) return;
  const { jobs, found, most } = page;
  const last = Math.min(begin + most, found);
  const none = byId("find").value ? "No job has these words." : "No job is in the record yet.";
  write(byId("found"), found ? `${found} ${found === 1 ? "job" : "jobs"}${found > most ? `; ${begin + 1} to ${last} shown` : ""}, the newest first` : none);
  show(byId("newer"), begin > 0);
  show(byId("older"), last < found);
  const states = jobs.map((job) => made("span", {}, recordState(null, job.sealed_to)));
  byId("jobs").replaceChildren(...jobs.map((job, index) => line(job, states[index])));
  for (const [index, job] of jobs.entries()) {
    if (mine !== round) return;
    let found;
    try {
      found = recordState(await asked(`jobs/${encodeURIComponent(job.job)}/proof`), job.sealed_to);
    } catch {
      found = unknownState();
    }
    states[index].replaceChildren(found);
  }
}

function line(job, state) {
  const about = [job.lift && `Lift ${job.lift}`, job.operator, job.started].filter(Boolean).join(", ");
  const stands = job.trouble ? [made("span", {}, job.trouble)] : [made("span", {}, job.state), made("ul", { class: "counts" }, ...counts(job))];
  return made("li", {}, made("a", { href: `/audit/${encodeURIComponent(job.job)}` },
    made("span", {}, made("span", { class: "name" }, job.job), made("br"), about),
    made("span", {}, job.title, made("br"), made("span", { class: "dim" }, job.procedure)),
    made("span", { class: "stand" }, ...stands, state)));
}

function again(from) {
  begin = from;
  list();
}

byId("search").addEventListener("submit", (event) => {
  event.preventDefault();
  again(0);
});
byId("find").addEventListener("input", () => {
  clearTimeout(again.wait);
  again.wait = setTimeout(() => again(0), WAIT_MS);
});
byId("newer").addEventListener("click", () => again(Math.max(0, begin - 50)));
byId("older").addEventListener("click", () => again(begin + 50));
list();
