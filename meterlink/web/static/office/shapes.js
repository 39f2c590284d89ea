/* Shapes for states and verdicts: filled is good, hollow is not, a gap is a lost link. Colour repeats it. */

import { drawn } from "../dom.js";

const LINE = { fill: "none", stroke: "currentColor", "stroke-width": 2.6, "stroke-linejoin": "round" };
const circle = (more) => drawn("circle", { cx: 12, cy: 12, r: 8, ...LINE, ...more });
const path = (d, more) => drawn("path", { d, ...LINE, ...more });
const FULL = { fill: "currentColor" };

const SHAPES = {
  running: () => [circle(FULL)],
  left: () => [circle({ "stroke-dasharray": "4 3.5" })],
  ended: () => [path("M5 5h14v14H5z", FULL)],
  stopped: () => [path("M5 5h14v14H5z")],
  fail: () => [circle({ "stroke-width": 1.6, r: 10 }), circle({ r: 6 })],
  "lost-link": () => [path("M2 12h6M16 12h6"), path("M8 7v10M16 7v10")],
  stuck: () => [path("M5 3h14L12 12zM5 21h14L12 12z")],
  unclear: () => [circle(), path("M12 4a8 8 0 0 1 0 16z", FULL)],
  "low-battery": () => [path("M3 7h15v10H3zM21 10v4"), path("M5.5 10v4", { "stroke-width": 3 })],
  calibration: () => [circle(), path("M12 12l4-5M12 1.5v2.5")],
  aside: () => [path("M3 13h5l2 3h4l2-3h5v7H3z"), path("M8 3l8 7M16 3l-8 7")],
  pass: () => [circle(FULL)],
  "not-applicable": () => [path("M4 12h16")],
};

/** The shape of a state, an alert or a verdict. */
export function shape(name) {
  const parts = SHAPES[name]?.() ?? [circle({ "stroke-dasharray": "2 3" })];
  return drawn("svg", { viewBox: "0 0 24 24", width: 24, height: 24, "aria-hidden": "true", class: "sign" }, ...parts);
}

/** The words for a state or an alert. */
export const WORDS = {
  running: "at work",
  left: "left",
  ended: "ended",
  stopped: "stopped",
  fail: "fail",
  "lost-link": "no link",
  stuck: "stuck",
  unclear: "unclear",
  "low-battery": "battery",
  calibration: "overdue",
  aside: "refused",
};
