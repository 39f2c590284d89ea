/* What is said, spoken by the browser. A cue never overtakes a newer one: whatever is still being said is cut off. */

import { byId, made, show } from "./dom.js";

const SPOKEN_UNITS = [[/\bV\b/g, "volts"], [/\bOhm\b/g, "ohms"], [/\bmV\b/g, "millivolts"], [/\bkOhm\b/g, "kiloohms"]];

export class Voice {
  constructor() {
    this.synthesis = window.speechSynthesis;
    this.switch = byId("speak");
    this.select = byId("voice");
    this.switch.checked = remembered("speak") === "yes";
    this.switch.disabled = !this.synthesis;
    this.switch.addEventListener("change", () => {
      remember("speak", this.switch.checked ? "yes" : "no");
      if (this.switch.checked) this.say("Speaking.");
      else this.synthesis.cancel();
    });
    this.select.addEventListener("change", () => remember("voice", this.select.value));
    this.list();
    this.synthesis?.addEventListener("voiceschanged", () => this.list());
  }

  list() {
    const voices = (this.synthesis?.getVoices() ?? []).filter((voice) => voice.lang.startsWith("en"));
    show(byId("voice-field"), voices.length > 1);
    this.select.replaceChildren(...voices.map((voice) => made("option", { value: voice.voiceURI }, voice.name)));
    const wanted = remembered("voice");
    if (voices.some((voice) => voice.voiceURI === wanted)) this.select.value = wanted;
    this.voices = voices;
  }

  say(text) {
    if (!this.switch.checked || !this.synthesis) return;
    this.synthesis.cancel();
    const words = SPOKEN_UNITS.reduce((spoken, [unit, word]) => spoken.replace(unit, word), text);
    const utterance = new SpeechSynthesisUtterance(words);
    utterance.lang = "en";
    utterance.voice = this.voices.find((voice) => voice.voiceURI === this.select.value) ?? null;
    this.synthesis.speak(utterance);
  }
}

/** What this browser was told before; null where it keeps nothing. */
export function remembered(name) {
  try {
    return localStorage.getItem(`steadypoint.${name}`);
  } catch {
    return null;
  }
}

export function remember(name, value) {
  try {
    localStorage.setItem(`steadypoint.${name}`, value);
  } catch {
    // A browser that keeps nothing asks again next time.
  }
}
