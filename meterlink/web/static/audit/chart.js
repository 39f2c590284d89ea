/* The picture of a window: on top the rail with its stops, below it one field a function. The chart
   library takes some texts for markup: it is given numbers, and the names of functions and units without such signs. */

import { SHAPES, time } from "./words.js";

const LANE = 86;
const GAP = 26;
const FOOT = 48;
const FEW = 250;
const WIDE = 2;
const RAIL = 0.68;
const BELOW = 0.2;
const SMALL = { finding: "diamond-open", note: "square-open", jumper: "square-open", gap: "x-thin-open" };
const STEPS = [1e-3, 2e-3, 5e-3, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400];

export class Chart {
  /** `moved` is told the new ends when a hand has moved the picture, `chosen` the number of a mark that was pressed. */
  constructor(element, moved, chosen) {
    this.element = element;
    this.moved = moved;
    this.chosen = chosen;
    this.own = 0;
  }

  /** Pixels across. */
  get columns() {
    return Math.max(120, Math.round(this.element.clientWidth - 66));
  }

  /** Draw what the server gave for a window; `view` is what is seen of it, `mark` what is selected. */
  async draw(window, view, mark) {
    const look = looks();
    const traces = window.traces.map((trace, index) => ({ ...trace, index })).filter((trace) => trace.over.length || trace.x.some((x) => x !== null && x >= window.from && x <= window.to));
    const axes = new Map(traces.map((trace, at) => [trace.index, at === 0 ? "y2" : `y${at + 2}`]));
    const each = traces.length > 1 ? 200 : 280;
    const height = LANE + Math.max(1, traces.length) * (each + GAP) + FOOT;
    const least = (WIDE * (view.to - view.from)) / this.columns;
    const data = [...lane(window, least, look), ...traces.flatMap((trace) => field(trace, axes.get(trace.index), window, least, look))];
    const layout = {
      height, width: this.element.clientWidth, showlegend: false, hovermode: "closest", dragmode: "pan",
      margin: { l: 54, r: 12, t: 4, b: FOOT - 4, pad: 0 },
      paper_bgcolor: look.paper, plot_bgcolor: look.paper, font: { color: look.ink, family: "system-ui, sans-serif", size: 13 },
      xaxis: { range: [view.from, view.to], anchor: traces.length ? axes.get(traces.at(-1).index) : "y", zeroline: false, gridcolor: look.faint, ...ticks(view, this.columns) },
      yaxis: { domain: domain(0, LANE, height), range: [0, 1], fixedrange: true, visible: false },
      shapes: mark ? [selected(mark, view, look)] : [],
    };
    traces.forEach((trace, at) => {
      const top = LANE + at * (each + GAP);
      layout[`yaxis${at + 2}`] = {
        domain: domain(top + GAP, top + GAP + each, height), fixedrange: true, zeroline: false, gridcolor: look.faint, nticks: 6,
        title: { text: [trace.name, unit(trace.unit)].filter(Boolean).map(plain).join(", "), standoff: 4, font: { size: 13 } },
        range: reach(trace, window.marks),
      };
    });
    this.own += 1;
    await Plotly.react(this.element, data, layout, { displayModeBar: false, scrollZoom: true, doubleClick: false, showTips: false });
    this.own -= 1;
    if (!this.heard) this.listen();
  }

  listen() {
    this.heard = true;
    this.element.on("plotly_relayout", (change) => {
      if (!this.own && "xaxis.range[0]" in change) this.moved(change["xaxis.range[0]"], change["xaxis.range[1]"]);
    });
    this.element.on("plotly_click", ({ points }) => {
      const number = points.map((point) => point.customdata).find(Boolean);
      if (number) this.chosen(number);
    });
  }
}

/** The rail: whole while the link held, a stop for each verdict, a thick length for each touch that is wide enough. */
function lane({ from, to, marks }, least, look) {
  const breaks = marks.filter((mark) => mark.kind === "gap").map((mark) => mark.from);
  const rail = { x: [from], y: [RAIL] };
  for (const at of breaks) rail.x.push(at, null, at) && rail.y.push(RAIL, null, RAIL);
  rail.x.push(to);
  rail.y.push(RAIL);
  const touches = marks.filter((mark) => mark.kind === "touch" && mark.to - mark.from >= least);
  const verdicts = marks.filter((mark) => mark.kind === "verdict").sort((one, two) => over(one) - over(two));
  const others = marks.filter((mark) => mark.kind !== "touch" && mark.kind !== "verdict");
  const both = (mark) => [mark.from, mark.to, null];
  return [
    { ...base, ...rail, mode: "lines", line: { color: look.dim, width: 2 } },
    { ...base, x: touches.flatMap(both), y: touches.flatMap(() => [RAIL, RAIL, null]), customdata: touches.flatMap((mark) => Array(3).fill(mark.number)), mode: "lines", line: { color: look.blue, width: 7 } },
    {
      ...base, x: verdicts.map((mark) => mark.from), y: verdicts.map(() => RAIL), customdata: verdicts.map((mark) => mark.number), mode: "markers+text",
      marker: { symbol: "circle", size: 20, color: look.paper, line: { width: 0 } },
      text: verdicts.map((mark) => SHAPES[mark.outcome] ?? "·"), textposition: "middle center", cliponaxis: false,
      textfont: { size: 22, color: verdicts.map((mark) => (mark.outcome === "pass" ? look.blue : mark.outcome === "fail" ? look.amber : look.ink)) },
    },
    {
      ...base, x: others.map((mark) => mark.from), y: others.map(() => BELOW), customdata: others.map((mark) => mark.number), mode: "markers",
      marker: { symbol: others.map((mark) => SMALL[mark.kind] ?? "line-ns-open"), size: 11, color: look.ink, line: { width: 1.5, color: look.ink } },
    },
  ];
}

/** One function: limits for as long as each touch lasted, the readings, and what each touch came to. */
function field(trace, yaxis, { marks }, least, look) {
  const own = { ...base, yaxis };
  const touches = marks.filter((mark) => mark.kind === "touch" && mark.trace === trace.index && mark.to - mark.from >= least);
  const spans = touches.filter((mark) => mark.low !== null || mark.high !== null);
  const [bottom, top] = reach(trace, marks);
  const box = (mark) => [mark.low ?? bottom, mark.high ?? top];
  const values = touches.filter((mark) => mark.value !== null);
  const few = trace.x.length < FEW;
  return [
    { ...own, x: spans.flatMap(({ from, to }) => [from, to, to, from, from, null]), y: spans.flatMap((mark) => ((low, high) => [low, low, high, high, low, null])(...box(mark))), mode: "lines", fill: "toself", fillcolor: look.wash, line: { color: look.blue, width: 1.5 } },
    { ...own, x: trace.x, y: trace.y, mode: few ? "lines+markers" : "lines", line: { color: look.ink, width: 1.6, shape: "hv", simplify: false }, marker: { size: 4, color: look.ink } },
    { ...own, x: trace.alone.x, y: trace.alone.y, mode: "markers", marker: { size: 4, color: look.ink } },
    { ...own, x: values.flatMap((mark) => [mark.from, mark.to, null]), y: values.flatMap((mark) => [mark.value, mark.value, null]), mode: "lines", line: { color: look.amber, width: 3, dash: "dot" } },
    { ...own, x: trace.over, y: trace.over.map(() => top), mode: "markers", cliponaxis: false, marker: { symbol: "triangle-up-open", size: 8, color: look.ink } },
  ];
}

/** Fails lie over what is unclear, and that over passes. */
const over = ({ outcome }) => ["pass", "not-applicable", "unclear", "fail"].indexOf(outcome);

const base = { type: "scatter", hoverinfo: "none" };

function reach(trace, marks) {
  const own = marks.filter((mark) => (mark.kind === "touch" || mark.kind === "verdict") && mark.trace === trace.index).flatMap(({ low, high, value }) => [low, high, value]);
  const all = [...trace.y, ...own].filter((value) => value !== null && Number.isFinite(value));
  if (!all.length) return [0, 1];
  const low = all.reduce((a, b) => Math.min(a, b));
  const high = all.reduce((a, b) => Math.max(a, b));
  const room = (high - low || Math.abs(high) || 1) * 0.06;
  return [low - room, high + room];
}

function domain(top, bottom, height) {
  const inside = height - FOOT;
  return [Math.max(0, 1 - bottom / inside), Math.min(1, 1 - top / inside)];
}

function selected({ from, to }, view, look) {
  const least = (view.to - view.from) / 300;
  return { type: "rect", xref: "x", yref: "paper", x0: from - least, x1: to + least, y0: 0, y1: 1, line: { color: look.ink, width: 2, dash: "dash" }, fillcolor: "rgba(0,0,0,0)" };
}

function ticks({ from, to }, columns) {
  const least = (to - from) / Math.max(2, columns / 110);
  const step = STEPS.find((each) => each >= least) ?? 86400 * Math.ceil(least / 86400);
  const first = Math.ceil(from / step);
  const tickvals = Array.from({ length: Math.max(0, Math.floor(to / step) - first + 1) }, (_, at) => (first + at) * step);
  return { tickmode: "array", tickvals, ticktext: tickvals.map((value) => time(value, step)), title: { text: "since the job began", standoff: 6, font: { size: 13 } } };
}

const unit = (name) => ({ Ohm: "Ω", Cel: "°C" })[name] ?? name;
const plain = (text) => text.replace(/[<>&]/g, "");

function looks() {
  const style = getComputedStyle(document.documentElement);
  const of = (name) => style.getPropertyValue(`--${name}`).trim();
  return { paper: of("paper"), ink: of("ink"), dim: of("dim"), faint: of("faint"), blue: of("blue"), wash: of("blue-wash"), amber: of("amber") };
}
