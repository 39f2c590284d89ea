/* The rail: the chain as a guide rail, supply at the top, every step a stop. State is told by shape and fill:

   pass, live      solid rail, filled stop          unclear     half filled stop
   fail, dead      hollow rail, hollow stop         floating    dotted rail, dotted stop
   not yet         dashed rail, small dot           suspect     a gap in the rail; found: the gap filled

   The marker is the guide shoe: it clasps the rail where the technician is asked to probe. */

import { drawn, made } from "./dom.js";

const X = 22;
const LINES = { pass: "solid", live: "solid", fail: "hollow", dead: "hollow", floating: "dotted" };
const line = (state) => LINES[state] ?? "dashed";
const isGap = (state) => state === "suspect" || state === "found";

/** The rail as a list with tags, values and words. */
export function railRows(stops) {
  return stops.map((stop, index) => {
    const cell = drawn("svg", { width: 44, height: 44, "aria-hidden": "true", class: "stop" });
    cell.append(...piece(stops, index, 0, 44));
    return made("li", { class: stop.here ? "here" : null, "aria-current": stop.here ? "step" : null }, cell,
      made("span", { class: "tag" }, stop.tag), made("span", { class: "value" }, stop.value),
      made("span", { class: "word" }, stop.word || (stop.here ? "now" : "")));
  });
}

/** The rail alone, scrolled so that the marker stands at a given height. */
export function slimRail(stops, height, markerAt, gap = 42) {
  const here = Math.max(0, stops.findIndex((stop) => stop.here));
  const picture = drawn("svg", { width: 44, height, "aria-hidden": "true" });
  stops.forEach((stop, index) => {
    const middle = markerAt + (index - here) * gap;
    if (middle > -gap && middle < height + gap) picture.append(...piece(stops, index, middle - gap / 2, gap));
  });
  return picture;
}

function piece(stops, index, top, height) {
  const { state, here } = stops[index];
  const [middle, bottom] = [top + height / 2, top + height];
  const before = stops[index - 1];
  const after = stops[index + 1];
  const parts = [];
  if (before) parts.push(...rule(isGap(state) ? line(before.state) : line(state), top, isGap(state) ? middle - 12 : middle));
  if (after) {
    const look = isGap(after.state) ? line(state) : line(after.state);
    parts.push(...rule(isGap(state) ? line(after.state) : look, isGap(state) ? middle + 12 : middle, bottom));
  }
  parts.push(...stopShape(state, middle));
  if (here) parts.push(...shoe(middle));
  return parts;
}

function rule(look, from, to) {
  const at = { x1: X, x2: X, y1: from, y2: to };
  const outer = drawn("line", { ...at, class: `rule ${look}` });
  return look === "hollow" ? [outer, drawn("line", { ...at, class: "rule core" })] : [outer];
}

function stopShape(state, y) {
  switch (state) {
    case "pass": case "live":
      return [drawn("circle", { cx: X, cy: y, r: 8, class: "dot full" })];
    case "fail": case "dead":
      return [drawn("circle", { cx: X, cy: y, r: 8, class: "dot hollow" })];
    case "unclear":
      return [
        drawn("circle", { cx: X, cy: y, r: 8, class: "dot hollow plain" }),
        drawn("path", { d: `M${X} ${y - 8}a8 8 0 0 1 0 16z`, class: "dot half" }),
      ];
    case "floating":
      return [drawn("circle", { cx: X, cy: y, r: 8, class: "dot dotted" })];
    case "suspect": case "found":
      return [drawn("rect", { x: X - 8, y: y - 8, width: 16, height: 16, class: `dot ${state}` })];
    case "answered":
      return [drawn("rect", { x: X - 5, y: y - 5, width: 10, height: 10, class: "dot half" })];
    case "not-applicable":
      return [drawn("path", { d: `M${X - 8} ${y}h16`, class: "dot passed-over" })];
    default:
      return [drawn("circle", { cx: X, cy: y, r: 4, class: "dot small" })];
  }
}

function shoe(y) {
  return [
    drawn("path", { d: `M${X + 6} ${y - 17}H${X - 15}V${y + 17}H${X + 6}`, class: "shoe" }),
    drawn("path", { d: `M${X + 12} ${y - 9}l10 9-10 9z`, class: "shoe-tip" }),
  ];
}
