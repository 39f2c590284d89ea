/* The band: the accepted span as a thick strip, what lies outside as a thin one, the live value as a lozenge over it
   with whiskers for what it may be off by. Inside it is filled, outside hollow; beyond an end it becomes an arrow. */

import { drawn } from "./dom.js";

const MIDDLE = 26;
const percent = (share) => `${(100 * share).toFixed(2)}%`;

export class Band {
  constructor(element) {
    this.element = element;
  }

  /** Draw the limits of a step; `band` null: it has none. */
  limits(band, text) {
    this.text = text;
    this.element.hidden = !band;
    this.mark = null;
    if (!band) return this.element.replaceChildren();
    const { low, high } = band;
    this.span = { low, high };
    const strip = drawn("svg", { height: 66, width: "100%", "aria-hidden": "true" });
    strip.append(
      drawn("line", { class: "outside", x1: 0, x2: "100%", y1: MIDDLE, y2: MIDDLE }),
      drawn("rect", { class: "inside", x: percent(low), width: percent(high - low), y: MIDDLE - 13, height: 26 }),
    );
    if (band.low_text !== null) strip.append(...end(low, band.low_text, band.high_text === null ? "start" : "middle"));
    if (band.high_text !== null) strip.append(...end(high, band.high_text, "middle"));
    this.whiskers = drawn("g", { class: "whiskers" });
    this.lozenge = drawn("svg", { class: "lozenge", overflow: "visible", y: MIDDLE });
    strip.append(this.whiskers, this.lozenge);
    this.element.replaceChildren(strip);
    this.say("");
  }

  /** Let the value stand where it is; null: there is no live value. */
  value(mark, spoken) {
    if (!this.span || this.element.hidden) return;
    this.whiskers.replaceChildren();
    this.lozenge.replaceChildren();
    if (!mark) return this.say("");
    const at = held(mark, this.span);
    if (mark.to - mark.from > 0.004) {
      const [from, to] = [percent(mark.from), percent(mark.to)];
      this.whiskers.append(
        drawn("line", { x1: from, x2: to, y1: MIDDLE, y2: MIDDLE }),
        drawn("line", { x1: from, x2: from, y1: MIDDLE - 9, y2: MIDDLE + 9 }),
        drawn("line", { x1: to, x2: to, y1: MIDDLE - 9, y2: MIDDLE + 9 }),
      );
    }
    const shape = mark.beyond < 0 ? "M2 0l18-16v32z" : mark.beyond > 0 ? "M-2 0l-18-16v32z" : "M0-22l11 22-11 22-11-22z";
    this.lozenge.setAttribute("x", percent(at));
    this.lozenge.append(drawn("path", { d: shape, class: mark.inside ? "is-inside" : "is-outside" }));
    this.say(`${spoken}, ${mark.inside ? "inside" : "outside"}`);
  }

  say(where) {
    this.element.setAttribute("aria-label", [`limits ${this.text}`, where].filter(Boolean).join("; "));
  }
}

function end(share, text, anchor) {
  const x = percent(share);
  return [
    drawn("line", { class: "limit", x1: x, x2: x, y1: MIDDLE - 18, y2: MIDDLE + 18 }),
    drawn("text", { x, y: MIDDLE + 36, "text-anchor": anchor === "start" ? "middle" : anchor }, text),
  ];
}

/* A value outside the limits never stands in the accepted span, however near. */
function held(mark, { low, high }) {
  if (mark.inside || mark.beyond) return mark.at;
  return mark.at >= (low + high) / 2 ? Math.max(mark.at, high + 0.012) : Math.min(mark.at, low - 0.012);
}
