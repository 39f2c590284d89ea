/* The last minutes of what the meter showed: the limits as a band from when their step was asked for, the value as a
   line that breaks where nothing was shown, each verdict as its shape. */

import { drawn } from "../dom.js";

const SPAN_MS = 3 * 60_000;
const HEIGHT = 190;
const LEFT = 52;
const FOOT = 26;
const TOP = 22;

export class Trace {
  constructor(element) {
    this.element = element;
    this.points = [];
    this.spans = [];
    this.verdicts = [];
    new ResizeObserver(() => this.draw()).observe(element);
  }

  /** Add points, each `[line, ms, value, unit]`; those that are there already are left out. */
  add(points) {
    const last = this.points.at(-1)?.[0] ?? 0;
    this.points.push(...points.filter(([line]) => line > last));
    const newest = this.points.at(-1)?.[1] ?? 0;
    const old = this.points.findIndex(([, ms]) => ms >= newest - SPAN_MS);
    if (old > 0) this.points.splice(0, old - 1);
    this.soon();
  }

  /** Take over limits and verdicts. */
  among({ spans, verdicts }) {
    this.spans = spans;
    this.verdicts = verdicts;
    this.soon();
  }

  soon() {
    this.frame ??= requestAnimationFrame(() => {
      this.frame = null;
      this.draw();
    });
  }

  draw() {
    const width = this.element.clientWidth;
    const last = this.points.at(-1);
    if (!width || !last) return;
    const unit = this.points.findLast(([, , value]) => value !== null)?.[3] ?? "";
    const [begin, end] = [last[1] - SPAN_MS, last[1]];
    const spans = this.spans.map((span, index) => [...span, this.spans[index + 1]?.[0] ?? end])
      .filter(([from, , of, low, high, to]) => to > begin && from < end && of === unit && (low !== null || high !== null));
    const shown = this.points.filter(([, ms, value, of]) => ms >= begin && value !== null && of === unit);
    const [bottom, top] = extent(shown.map(([, , value]) => value), spans);
    const x = (ms) => LEFT + ((ms - begin) / SPAN_MS) * (width - LEFT - 14);
    const y = (value) => TOP + ((top - value) / (top - bottom)) * (HEIGHT - TOP - FOOT);
    const held = (value, other) => Math.min(HEIGHT - FOOT, Math.max(TOP, y(value ?? other)));
    const parts = [];
    for (const [from, , , low, high, to] of spans) {
      const [above, below] = [held(high, top), held(low, bottom)];
      const [left, right] = [x(Math.max(from, begin)), x(to)];
      parts.push(drawn("rect", { class: "accepted", x: left, width: Math.max(1, right - left), y: above, height: Math.max(2, below - above) }));
      for (const limit of [low, high]) {
        if (limit !== null) parts.push(drawn("line", { class: "limit", x1: left, x2: right, y1: held(limit), y2: held(limit) }));
      }
    }
    for (const value of ticks(bottom, top)) {
      parts.push(drawn("line", { class: "grid", x1: LEFT, x2: width, y1: y(value), y2: y(value) }),
        drawn("text", { x: LEFT - 6, y: y(value) + 5, "text-anchor": "end" }, String(value)));
    }
    for (let back = 0; back <= SPAN_MS; back += 60_000) {
      const words = back ? `${back / 60_000} min ago` : "now";
      parts.push(drawn("text", { x: x(end - back), y: HEIGHT - 5, "text-anchor": back ? "middle" : "end" }, back === SPAN_MS ? "" : words));
    }
    parts.push(drawn("text", { x: LEFT - 6, y: 14, "text-anchor": "end", class: "unit" }, unit));
    parts.push(drawn("path", { class: "line", d: line(this.points, begin, unit, x, y) }));
    const head = shown.at(-1);
    if (head) parts.push(drawn("circle", { class: "head", cx: x(head[1]), cy: y(head[2]), r: 5 }));
    for (const [ms, , outcome] of this.verdicts) if (ms >= begin) parts.push(...mark(x(ms), outcome));
    const picture = drawn("svg", { width: "100%", height: HEIGHT, "aria-hidden": "true" });
    picture.append(...parts);
    this.element.replaceChildren(picture);
  }
}

function extent(values, spans) {
  const all = [...values, ...spans.flatMap(([, , , low, high]) => [low, high]).filter((each) => each !== null)];
  const [low, high] = [Math.min(...all, 0), Math.max(...all)];
  const room = Math.max((high - low) * 0.08, 0.001);
  return all.length ? [low < 0 ? low - room : 0, high + room] : [0, 1];
}

function ticks(bottom, top) {
  const rough = (top - bottom) / 4;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((each) => each * power).find((each) => each >= rough);
  const found = [];
  for (let n = Math.ceil(bottom / step); n * step <= top && found.length < 9; n += 1) found.push(Number((n * step).toPrecision(6)));
  return found;
}

function line(points, begin, unit, x, y) {
  let [d, open] = ["", false];
  for (const [, ms, value, of] of points) {
    if (ms < begin || value === null || of !== unit) open = false;
    else {
      d += `${open ? "L" : "M"}${x(ms).toFixed(1)} ${y(value).toFixed(1)}`;
      open = true;
    }
  }
  return d;
}

/* A verdict: filled, hollow, half, as everywhere. */
function mark(x, outcome) {
  const at = { cx: x, cy: 10, r: 6 };
  const stem = drawn("line", { class: "stem", x1: x, x2: x, y1: 17, y2: HEIGHT - FOOT });
  if (outcome === "pass") return [stem, drawn("circle", { ...at, class: "dot full" })];
  if (outcome === "fail") return [stem, drawn("circle", { ...at, class: "dot hollow" })];
  if (outcome !== "unclear") return [];
  return [stem, drawn("circle", { ...at, class: "dot hollow plain" }), drawn("path", { d: `M${x} 4a6 6 0 0 1 0 12z`, class: "dot half" })];
}
