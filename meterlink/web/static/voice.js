/* Tones and speech of the browser. Tones sound at once. What is being said is finished, unless something weightier or
   an alarm comes; what waits is dropped once something newer is to be said, so nothing old is said after something new. */

import { byId, write } from "./dom.js";
import { keptControl } from "./memory.js";

const ALARM = 2;
const SETTLE_MS = 60;

export class Voice {
  constructor() {
    this.synthesis = window.speechSynthesis;
    this.waiting = [];
    this.saying = null;
    for (const id of ["tones", "speak", "language", "brevity"]) keptControl(byId(id), () => this.changed());
    byId("speak").disabled = !this.synthesis;
    this.tones = new Map();
  }

  /** Let an announcement be heard; of those that were missed only the newest is said, and none has a tone. */
  hear({ t, sound, late }) {
    if (sound.tone && !late && byId("tones").checked) this.play(sound.tone);
    const phrase = sound.phrases[`${byId("language").value}-${byId("brevity").value}`];
    if (!phrase || !this.synthesis || !byId("speak").checked) return;
    if (t !== this.moment) {
      this.moment = t;
      this.waiting = [];
      if (this.saying && (sound.weight > this.saying.weight || sound.weight === ALARM)) this.hush();
    }
    this.waiting.push({ phrase, weight: sound.weight });
    clearTimeout(this.soon);
    this.soon = setTimeout(() => this.next(), SETTLE_MS);
  }

  next() {
    if (this.saying || this.waiting.length === 0) return;
    const saying = this.waiting.shift();
    this.saying = saying;
    const utterance = new SpeechSynthesisUtterance(saying.phrase);
    utterance.lang = byId("language").value;
    utterance.voice = this.synthesis.getVoices().find((voice) => voice.lang.startsWith(utterance.lang)) ?? null;
    utterance.onend = utterance.onerror = () => {
      if (this.saying !== saying) return;
      this.saying = null;
      this.next();
    };
    this.synthesis.speak(utterance);
  }

  hush() {
    this.saying = null;
    this.synthesis.cancel();
  }

  play(tone) {
    if (!this.tones.has(tone)) this.tones.set(tone, new Audio(`/tones/${tone}.wav`));
    const audio = this.tones.get(tone);
    audio.currentTime = 0;
    audio.play().then(() => this.tell(""), () => this.tell("The browser keeps quiet until this page is touched once."));
  }

  /* A switch was touched: let it be heard that it works, which also lets a browser make sounds from now on. */
  changed() {
    if (this.synthesis && !byId("speak").checked) this.hush();
    if (byId("tones").checked) this.play("settled");
    const language = byId("language");
    const known = this.synthesis?.getVoices().some((voice) => voice.lang.startsWith(language.value));
    const name = language.selectedOptions[0].text;
    this.tell(byId("speak").checked && !known ? `This device names no voice for ${name}; it may not speak.` : "");
  }

  tell(words) {
    write(byId("heard-words"), words);
  }
}
