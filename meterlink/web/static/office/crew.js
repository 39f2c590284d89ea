/* One crew's row: what it is at, what was judged last, what its meter shows, how it is reached. */

import { made, show, write } from "../dom.js";
import { ago, now } from "./clock.js";
import { shape, WORDS } from "./shapes.js";

const OLD_MS = 5000;
const HELP = new Set(["fail", "lost-link", "stuck"]);
const METER = { "link-lost": "meter not linked", silent: "meter silent", "low-battery": "meter battery low" };

export class Crew {
  constructor(job) {
    const cell = (name, tag = "div") => made(tag, { class: name });
    this.state = cell("state");
    this.name = made("a", { class: "lift", href: `/job/${encodeURIComponent(job)}` });
    this.where = cell("where", "p");
    this.point = cell("at", "b");
    this.number = cell("number", "span");
    this.ask = cell("ask", "p");
    this.verdict = cell("last");
    this.digits = cell("display", "b");
    this.unit = cell("unit", "span");
    this.age = cell("age", "p");
    this.reach = cell("reach");
    this.counts = cell("counts");
    this.stops = made("div", { class: "lying", "aria-hidden": "true" });
    this.alerts = cell("alerts", "p");
    this.element = made("li", { class: "crew" },
      this.state,
      made("div", { class: "who" }, made("h3", {}, this.name), this.where),
      made("div", { class: "step" }, made("p", {}, this.point, this.number), this.ask),
      this.verdict,
      made("div", { class: "value" }, made("p", {}, this.digits, this.unit), this.age),
      this.reach, this.counts, made("div", { class: "foot" }, this.alerts, this.stops));
    this.shown = null;
  }

  /** Show a card. */
  take(card) {
    this.card = card;
    const { phase, alerts, step } = card;
    const about = alerts[0]?.about ?? phase;
    this.element.dataset.about = about;
    this.level = alerts.length ? (HELP.has(about) ? "help" : "heed") : "none";
    this.element.dataset.level = this.level;
    this.state.replaceChildren(shape(about), made("b", {}, WORDS[about] ?? about));
    write(this.name, card.lift ?? card.title);
    write(this.where, [card.device, card.site === "-" ? null : card.site].filter(Boolean).join(" · "));
    write(this.point, step?.point ?? (card.lost_between ? `lost ${card.lost_between.join(" – ")}` : WORDS[phase]));
    write(this.number, step ? (card.searching ? "looking for the fault" : step.number ? `step ${step.number} of ${step.of}` : "") : `${card.done} of ${card.stops.length} steps`);
    write(this.ask, card.search ? `found: ${card.search}` : (step?.ask ?? card.title));
    this.renderVerdict(card.last);
    this.renderCounts(card.counts);
    this.renderStops(card.stops);
    this.alerts.replaceChildren(...alerts.flatMap((alert, index) => [
      index ? "; " : "", made(index ? "span" : "b", {}, alert.words)]));
    show(this.alerts, alerts.length > 0);
    this.renderTime();
  }

  renderVerdict(last) {
    this.verdict.dataset.outcome = last?.outcome ?? "";
    this.verdict.replaceChildren();
    if (!last) return this.verdict.append(made("p", { class: "dim" }, "nothing judged yet"));
    this.verdict.append(
      made("p", { class: "outcome" }, shape(last.outcome), made("b", {}, last.outcome.replace("-", " ")), ` ${last.point}`),
      made("p", { class: "dim" }, [last.value, last.limits && `in ${last.limits}`].filter(Boolean).join(" ")));
  }

  renderCounts(counts) {
    this.counts.replaceChildren(...["pass", "fail", "unclear"].filter((each) => each === "pass" || counts[each]).map((each) =>
      made("p", { "data-outcome": each }, shape(each), made("b", {}, String(counts[each])), made("span", {}, ` ${each}`))));
  }

  renderStops(stops) {
    const key = JSON.stringify(stops);
    if (this.stops.dataset.key === key) return;
    this.stops.dataset.key = key;
    this.stops.replaceChildren(...stops.map(({ state, here }) =>
      made("i", { class: `${state.replace(" ", "-")}${here ? " here" : ""}` })));
  }

  /** Show what the meter shows. */
  live(shown) {
    this.shown = shown;
    this.element.dataset.at = String(shown.at);
    write(this.digits, shown.display || "blank");
    write(this.unit, shown.display ? shown.unit : "");
    this.renderTime();
  }

  /** Show what the time alone changes. */
  renderTime() {
    const { shown, card } = this;
    if (!card) return;
    const over = card.phase === "ended" || card.phase === "stopped";
    const old = shown && now() - shown.at > OLD_MS;
    this.element.dataset.live = shown && !old ? "yes" : "no";
    write(this.age, !shown ? "no reading yet" : old ? `${ago(shown.at)} old` : shown.function);
    if (!shown) write(this.digits, "–");
    const { online, meter, battery, since } = card.link;
    const heard = METER[card.meter] ?? METER[meter];
    const crew = over ? (card.ended ? `ended ${ago(card.ended)} ago` : "ended")
      : online === null ? "crew not heard yet" : online ? "crew on line" : `crew off line${since ? `, ${ago(since)}` : ""}`;
    this.reach.dataset.good = String(over || (Boolean(online) && !heard));
    const words = [crew, over ? null : (heard ?? (shown && !old ? "meter live" : "meter quiet")), battery !== null && battery < 20 ? `its device ${battery} %` : null];
    const key = words.filter(Boolean).join("|");
    if (this.reach.dataset.key !== key) {
      this.reach.dataset.key = key;
      this.reach.replaceChildren(...words.filter(Boolean).map((each) => made("p", {}, each)));
    }
  }

  /** Whether a text is in it. */
  has(text) {
    const { lift, title, device, site, job, step } = this.card;
    return [lift, title, device, site, job, step?.point].some((each) => each?.toLowerCase().includes(text));
  }
}
