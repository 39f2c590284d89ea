/* The desk: procedure, meter and cautions to begin with, or an unfinished job to go on with. */

import { byId, made, show, write } from "./dom.js";
import { remember, remembered } from "./memory.js";

export class Desk {
  constructor(link) {
    this.link = link;
    this.offer = null;
    byId("order").addEventListener("submit", (event) => {
      event.preventDefault();
      this.begin();
    });
    byId("order").addEventListener("change", () => this.choose());
    byId("address").addEventListener("input", () => this.choose());
    byId("lift").addEventListener("input", () => this.visits());
    byId("operator").value = remembered("operator") ?? "";
    byId("look-for-meters").addEventListener("click", () => this.look());
  }

  /** Fetch what can be begun with. */
  async open() {
    let answer;
    try {
      answer = await fetch("/offer");
    } catch {
      return;
    }
    if (!answer.ok) return this.refuse(await answer.text());
    this.offer = await answer.json();
    byId("procedures").replaceChildren(...this.offer.procedures.map(procedureChoice));
    this.meters(this.offer.meters.map((address) => [address, "used before"]));
    byId("lifts").replaceChildren(...this.offer.lifts.map((lift) => made("option", { value: lift.tag }, visitsTo(lift))));
    this.visits();
    byId("unfinished").replaceChildren(...this.offer.jobs.map((job) => this.unfinished(job)));
    this.choose();
  }

  meters(known) {
    const demo = [this.offer.demo, "a simulated lift that is probed by itself, to look on"];
    byId("meters").replaceChildren(...[...known, demo].map(([address, what]) => choice("meter", address, address, what)));
  }

  /** Say how often this lift was visited: a tag that is written otherwise than last time begins a history of its own. */
  visits() {
    if (!this.offer) return;
    const tag = byId("lift").value.trim();
    const known = this.offer.lifts.find((lift) => lift.tag.toLowerCase() === tag.toLowerCase());
    const first = tag ? "Not in the record yet: its first visit." : "Without a tag, no visit can be held against another.";
    write(byId("visits"), known ? `${visitsTo(known)}.` : first);
  }

  async look() {
    write(byId("found"), "Looking …");
    try {
      const found = await (await fetch("/meters")).json();
      const devices = found.meters.map((meter) => [meter.address, [meter.name, meter.speaks].filter(Boolean).join(", ")]);
      const used = this.offer.meters.filter((address) => !devices.some(([found]) => found === address));
      this.meters([...devices, ...used.map((address) => [address, "used before"])]);
      const words = devices.length ? `Found: ${devices.length}.` : "No port and no device found.";
      write(byId("found"), [words, ...found.troubles].join(" "));
    } catch {
      write(byId("found"), "No link: could not look.");
    }
  }

  get chosen() {
    const data = new FormData(byId("order"));
    const procedure = this.offer?.procedures.find((each) => each.key === data.get("procedure"));
    const written = (name) => (data.get(name) ?? "").trim();
    return {
      procedure, meter: written("address") || written("meter"),
      lift: written("lift") || null, operator: written("operator") || null,
    };
  }

  choose() {
    const { procedure } = this.chosen;
    const key = procedure?.key ?? null;
    if (key === this.cautioned) return;
    this.cautioned = key;
    byId("acknowledged").checked = false;
    show(byId("cautions-field"), Boolean(procedure));
    byId("cautions").replaceChildren(...(procedure?.cautions ?? []).map((text) => made("li", {}, text)));
  }

  async begin() {
    const { procedure, meter, lift, operator } = this.chosen;
    if (!procedure) return this.refuse("Choose a procedure.");
    if (!meter) return this.refuse("Choose a meter, or write its address.");
    if (!byId("acknowledged").checked) return this.refuse("Read the cautions first, then tick that you have.");
    remember("operator", operator ?? "");
    const order = { procedure: procedure.key, meter, cautions: procedure.cautions, lift, operator };
    this.refuse(await this.link.send("/start", order));
  }

  refuse(words) {
    write(byId("refused"), words);
  }

  unfinished(job) {
    const address = made("input", { value: job.meter, autocomplete: "off", spellcheck: "false" });
    const button = made("button", { type: "button", class: "main" }, "Go on");
    button.addEventListener("click", async () => {
      this.refuse(await this.link.send("/again", { job: job.job, meter: address.value.trim() }));
    });
    return made("section", { class: "job" },
      made("h3", {}, job.title),
      made("p", {}, `${job.job}, ${job.started}, ${job.state}, ${job.judged} judged`),
      made("label", { class: "field" }, "Meter ", address), button);
  }
}

function visitsTo(lift) {
  return `${lift.visits} visit${lift.visits === 1 ? "" : "s"}, the last on ${lift.last}`;
}

function procedureChoice(each) {
  if (each.trouble) return made("p", { class: "refused" }, each.trouble);
  return choice("procedure", each.key, each.title, `${each.key}, revision ${each.revision}, ${each.steps} steps`);
}

function choice(name, value, title, words) {
  const input = made("input", { type: "radio", name, value });
  return made("label", { class: "choice" }, input, made("span", {}, made("b", {}, title), made("small", {}, words)));
}
