/* Tones of the office: for alerts, and for verdicts where that is wanted. */

import { byId, write } from "../dom.js";
import { keptControl } from "../memory.js";

const TONES = { fail: "fail", unclear: "unclear", pass: "pass" };

export class Tones {
  constructor() {
    this.audio = new Map();
    keptControl(byId("office-tones"), () => byId("office-tones").value === "none" || this.play("attention"));
  }

  /** Let an alert be heard. */
  alert(about) {
    if (byId("office-tones").value !== "none") this.play(about === "fail" ? "fail" : "attention");
  }

  /** Let a verdict be heard. */
  verdict(outcome) {
    if (byId("office-tones").value === "verdicts" && TONES[outcome]) this.play(TONES[outcome]);
  }

  play(tone) {
    if (!this.audio.has(tone)) this.audio.set(tone, new Audio(`/tones/${tone}.wav`));
    const audio = this.audio.get(tone);
    audio.currentTime = 0;
    audio.play().then(() => write(byId("sound-words"), ""),
      () => write(byId("sound-words"), "The browser keeps quiet until this page is touched once."));
  }
}
