/* The display's digits, drawn as strokes: equally wide on every device, and as tall as the page allows.

   At 3 m a sign wants 16 to 22 minutes of arc (ISO 9241-303, from memory), which is 14 to 19 mm of height. On a phone
   whose 360 px are 68 mm, four digits and a point are drawn 100 px tall: 19 mm. */

import { drawn } from "./dom.js";

const GLYPHS = {
  0: "M7 29a21 22 0 0 1 42 0v42a21 22 0 0 1-42 0z",
  1: "M12 27L32 8v85",
  2: "M7 29C7 15 16 7 28 7s21 8 21 21c0 23-36 35-41 65h42",
  3: "M8 23C11 12 18 7 28 7c12 0 20 8 20 20s-9 20-20 20h-6m6 0c12 0 21 9 21 23s-9 23-21 23c-11 0-18-6-21-16",
  4: "M39 93V8L6 68h45",
  5: "M46 7H14l-3 37c5-5 11-7 17-7 13 0 21 11 21 27s-8 29-22 29c-10 0-17-5-20-14",
  6: "M40 7C19 22 7 44 7 69c0 15 9 24 21 24s21-9 21-24-9-24-21-24S7 54 7 69",
  7: "M7 7h42C35 31 24 59 21 93",
  8: "M28 47c-11 0-19-8-19-20S17 7 28 7s19 8 19 20-8 20-19 20zm0 0C16 47 7 56 7 70s9 23 21 23 21-9 21-23-9-23-21-23z",
  9: "M16 93c21-15 33-37 33-62C49 16 40 7 28 7S7 16 7 31s9 24 21 24 21-9 21-24",
  O: "M7 29a21 22 0 0 1 42 0v42a21 22 0 0 1-42 0z",
  L: "M9 7v86h40",
  "-": "M4 50h28",
};
const ADVANCE = { ".": 24, "-": 44 };
const DIGIT = 68;
const EDGE = 2;

/** Draws displays into one element, never larger again within a step, so that a sign that comes and goes moves nothing. */
export class Digits {
  constructor(element) {
    this.element = element;
    this.widest = 0;
  }

  /** Begin a step: the digits may be as large as they fit. */
  begin() {
    this.widest = 0;
  }

  draw(display) {
    if (display === this.display && this.widest) return;
    this.display = display;
    let x = EDGE;
    const strokes = [...display].map((sign) => {
      const at = x;
      x += ADVANCE[sign] ?? DIGIT;
      if (sign === ".") return drawn("rect", { x: at + 2, y: 84, width: 15, height: 15, class: "point-mark" });
      return drawn("path", { d: GLYPHS[sign] ?? GLYPHS["-"], transform: `translate(${at} 0)` });
    });
    const width = Math.max(x, this.widest);
    this.widest = width;
    const box = { viewBox: `${x - width} 0 ${width} 100`, preserveAspectRatio: "xMinYMax meet" };
    this.element.replaceChildren(drawn("svg", { ...box, "aria-hidden": "true" }, ...strokes));
  }
}
