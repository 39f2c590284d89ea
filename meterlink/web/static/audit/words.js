/* How outcomes, times and the state of a record are written, in the list and on a job's page. */

import { made } from "../dom.js";

export const SHAPES = { pass: "●", fail: "○", unclear: "◐", "not-applicable": "–" };
const COUNTED = { passed: "pass", failed: "fail", unclear: "unclear" };

/** A shape and its word. */
export function outcome(name) {
  return made("span", { "data-outcome": name }, made("span", { class: "shape", "aria-hidden": "true" }, SHAPES[name] ?? "·"), ` ${name}`);
}

/** The counts of a job's verdicts. */
export function counts(job) {
  return Object.entries(COUNTED).map(([count, name]) =>
    made("li", { "data-outcome": name }, made("span", { class: "shape", "aria-hidden": "true" }, SHAPES[name]), made("b", {}, String(job[count])), ` ${name}`));
}

/** What a record is, by its proof; null: not known yet. */
export function recordState(proof, sealedTo) {
  const seal = sealedTo ? "sealed" : "not sealed";
  if (!proof) return state("open", "◌", `${seal}, being checked`);
  if (!proof.intact) return state("altered", "▲", proof.first_bad_event === null ? "NOT INTACT" : `ALTERED at event ${proof.first_bad_event}`);
  return proof.sealed ? state("intact", "■", "sealed, intact") : state("open", "□", "not sealed, intact");
}

/** What could not be checked. */
export function unknownState() {
  return state("altered", "▲", "cannot be checked");
}

function state(name, shape, word) {
  return made("span", { class: "state", "data-state": name }, made("span", { class: "shape", "aria-hidden": "true" }, shape), word);
}

/** Seconds since the job began: `0:45.7`, `1:02:03`; with as many digits as a step of so many seconds needs. */
export function time(seconds, step = 0.1) {
  const digits = step >= 1 ? 0 : Math.min(6, Math.ceil(-Math.log10(step) - 1e-9));
  const scale = 10 ** digits;
  const whole = Math.round(Math.abs(seconds) * scale);
  const rest = ((whole % (60 * scale)) / scale).toFixed(digits).padStart(digits ? digits + 3 : 2, "0");
  const minutes = Math.floor(whole / (60 * scale));
  const hours = Math.floor(minutes / 60);
  const clock = hours ? `${hours}:${String(minutes % 60).padStart(2, "0")}:${rest}` : `${minutes}:${rest}`;
  return seconds < 0 && whole ? `−${clock}` : clock;
}
