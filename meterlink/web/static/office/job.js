/* One job in full: what the technician's own page shows, with the last minutes, and a word to the technician. */

import { Band } from "../band.js";
import { Digits } from "../digits.js";
import { byId, made, show, write } from "../dom.js";
import { Link } from "../link.js";
import { railRows } from "../rail.js";
import { showWho } from "../session.js";
import { drawValue } from "../value.js";
import { ago, clock, day, hear, now } from "./clock.js";
import { shape, WORDS } from "./shapes.js";
import { showLink, showNews } from "./standing.js";
import { Trace } from "./trace.js";

const OLD_MS = 5000;
const LONGEST = Number(byId("note-text").maxLength);
const job = decodeURIComponent(location.pathname.split("/").at(-1));
const base = `/office/job/${encodeURIComponent(job)}`;
const digits = new Digits(byId("digits"));
const band = new Band(byId("band"));
const trace = new Trace(byId("trace"));
const link = new Link(heard, silent, `${base}/events`, ["state", "trace", "live", "value", "beat"]);
let state = null;
let live = null;
let silentS = null;

function heard(kind, body) {
  if (kind === "trace") trace.add(body);
  else if (kind === "live") {
    live = body;
    renderLive();
    byId("digits").dataset.at = String(live.at);
  } else if (kind === "state") {
    hear(body.now);
    state = body;
    render();
  } else if (kind === "beat") hear(body.now);
}

function silent(seconds) {
  silentS = seconds;
  showLink(seconds, state !== null);
  if (seconds !== null) renderLive();
}

function render() {
  const { card, job: body, stands, trouble } = state;
  showNews(stands[1], stands[0]);
  if (!body) return write(byId("trouble"), trouble ?? "Reading the job …");
  const { check } = body;
  const words = [trouble, body.trouble && `This job cannot be shown as the technician sees it: ${body.trouble}.`,
    body.behind > 0 && `Reading on: ${body.behind} lines to come.`];
  write(byId("trouble"), words.filter(Boolean).join(" "));
  const name = body.lift ?? body.title;
  write(byId("title"), name);
  document.title = `${name} – Steadypoint`;
  renderAsked(card, body, check);
  renderFacts(card, body);
  renderVerdict(check?.last ?? card?.last, check);
  renderRail(check, card);
  renderCircuit(check, body);
  renderSaid(body);
  renderRemarks(body);
  renderMessages(body, card);
  trace.among(body.trace);
  const key = JSON.stringify([check?.step?.id, check?.band]);
  if (byId("band").dataset.key !== key) {
    byId("band").dataset.key = key;
    digits.begin();
    band.limits(check?.step ? check.band : null, check?.step?.limits ?? "");
  }
  renderLive();
}

function renderAsked(card, body, check) {
  const step = check?.step ?? null;
  const alerts = card?.alerts ?? [];
  byId("alerts").replaceChildren(...alerts.flatMap(({ about, words }) => [shape(about), made("b", {}, words), " "]));
  show(byId("alerts"), alerts.length > 0);
  const place = step?.number ? `Step ${step.number} of ${check.steps}` : check?.search ? "Looking for the fault" : "Before the end";
  const over = body.complete === null ? null : body.complete ? "Every step judged" : "Stopped before its end";
  const phase = card && card.phase !== "running" ? WORDS[card.phase] : null;
  write(byId("kicker"), over ?? [phase, step ? place : null, step?.group].filter(Boolean).join(", "));
  const lost = body.lost_between ? `lost between ${body.lost_between.join(" and ")}` : null;
  write(byId("point"), step?.point ?? card?.step?.point ?? lost ?? (over ? `${check?.judged ?? card?.done ?? 0} judged` : "…"));
  write(byId("ask"), step?.ask ?? card?.step?.ask ?? check?.search?.why ?? "");
}

function renderFacts(card, body) {
  const step = body.check?.step;
  facts("facts", [
    ["Black lead", step?.black], ["Dial", step?.dial], ["Limits", step?.limits], ["From", step?.source], ["Before", step?.before],
  ]);
  const reach = card?.link;
  const crew = !reach || reach.online === null ? null : reach.online ? "on line" : `off line${reach.since ? ` since ${ago(reach.since)}` : ""}`;
  facts("particulars", [
    ["Lift", body.lift], ["Site", body.site === "-" ? "not registered" : body.site], ["Crew", [body.device, crew].filter(Boolean).join(", ")],
    ["Works", body.operator], ["Procedure", body.check ? `${body.title}, revision ${body.check.revision}` : body.title],
    ["Meter", [body.instrument, body.meter].filter(Boolean).join(", ")], ["Calibration", [body.calibration, body.due && `due ${body.due}`].filter(Boolean).join(", ")],
    ["Begun", day(body.started)], ["Job", body.job],
  ]);
  byId("audit").href = `/audit/${encodeURIComponent(job)}`;
  write(byId("report"), `steadypoint report ${body.job}`);
}

function facts(id, pairs) {
  const shown = pairs.filter(([, value]) => value);
  const key = JSON.stringify(shown);
  if (byId(id).dataset.key === key) return;
  byId(id).dataset.key = key;
  byId(id).replaceChildren(...shown.map(([name, value]) => made("div", {}, made("dt", {}, name), made("dd", {}, value))));
}

function renderVerdict(last, check) {
  const place = byId("verdict");
  const key = JSON.stringify(last ?? null);
  if (place.dataset.key === key) return;
  place.dataset.key = key;
  place.dataset.outcome = last?.outcome ?? "";
  place.replaceChildren();
  if (!last) return;
  place.append(made("p", { class: "outcome" }, shape(last.outcome), made("b", {}, last.outcome.replace("-", " ")),
    made("span", {}, last.point), made("span", { class: "value" }, last.value)));
  if (last.why && last.outcome !== "pass") place.append(made("p", { class: "why" }, last.why));
}

function renderRail(check, card) {
  write(byId("steps-title"), check?.search ? "The chain" : "Steps");
  const counts = Object.entries(check?.counts ?? card?.counts ?? {}).filter(([outcome, count]) => count || outcome === "pass");
  byId("counts").replaceChildren(...counts.map(([outcome, count]) =>
    made("li", { "data-outcome": outcome }, shape(outcome), made("b", {}, String(count)), ` ${outcome.replace("-", " ")}`)));
  const key = JSON.stringify(check?.rail ?? []);
  if (byId("rail").dataset.key === key) return;
  byId("rail").dataset.key = key;
  byId("rail").replaceChildren(...railRows(check?.rail ?? []));
  const here = byId("rail").querySelector(".here");
  if (here) byId("rail").scrollTop = here.offsetTop - byId("rail").offsetTop - byId("rail").clientHeight / 3;
}

function renderCircuit(check, body) {
  show(byId("circuit"), body.picture !== null);
  if (body.picture === null) return;
  const source = `${base}/picture.svg?of=${body.picture}`;
  const at = check?.step?.point;
  if (byId("picture").getAttribute("src") !== `${source}#probe`) byId("picture").src = `${source}#probe`;
  byId("picture-link").href = source;
  byId("picture").alt = `The circuit${at ? `; the probe belongs at ${at}` : ""}. The steps say the same in words. Opens large.`;
  const suspects = check?.search?.suspects ?? [];
  byId("suspects").replaceChildren(...suspects.map(({ name, share }) => made("li", {}, made("b", {}, share), ` ${name}`)));
}

function renderSaid({ said }) {
  list("said", said.map(({ text, at, seq }) => [seq, made("li", {}, made("time", {}, clock(at)), made("span", {}, text))]).reverse());
}

function renderRemarks({ remarks }) {
  show(byId("remarks-section"), remarks.length > 0);
  list("remarks", remarks.map(({ text, by, at, photo }) => {
    const source = photo && `${base}/photo/${photo}`;
    const image = source && made("a", { href: source, target: "_blank", rel: "noopener", class: "photo" },
      made("img", { src: source, alt: `Photo: ${text}`, loading: "lazy" }));
    return [`${at} ${photo}`, made("li", {}, made("time", {}, clock(at)), made("b", {}, by), made("span", {}, text), image)];
  }).reverse());
}

/* What a note has come to: kept here, on its way, heard there. */
function renderMessages({ messages }, card) {
  const online = card?.link.online;
  list("messages", messages.map(({ id, text, at, heard }) => {
    const [sign, words] = heard ? ["●", "heard, and in the job's record"] : online ? ["◐", "sent, not heard yet"] : ["○", "kept; goes out when the crew is on line"];
    const item = made("li", { "data-heard": heard ? "yes" : "no" }, made("time", {}, clock(at)), made("span", { class: "text" }, text),
      made("span", { class: "how" }, made("span", { "aria-hidden": "true" }, `${sign} `), words));
    return [`${id} ${words}`, item];
  }));
}

function list(id, items) {
  const key = items.map(([name]) => name).join("\n");
  if (byId(id).dataset.key === key) return;
  byId(id).dataset.key = key;
  byId(id).replaceChildren(...items.map(([, item]) => item));
}

/* The live value */

function renderLive() {
  drawValue(digits, band, live, whyOld());
}

function whyOld() {
  if (!live) return "no reading yet";
  return silentS !== null || now() - live.at > OLD_MS ? `not live, ${ago(live.at)} old` : null;
}

setInterval(() => state && renderLive(), 1000);

/* A word to the technician */

let sending = false;

function renderLeft() {
  const length = byId("note-text").value.trim().length;
  write(byId("note-left"), length ? `${LONGEST - length} characters left` : "");
  byId("send").setAttribute("aria-disabled", String(sending || !length));
}

byId("note-text").addEventListener("input", renderLeft);
byId("note-text").addEventListener("keydown", (event) => {
  if (event.key === "Enter" && !event.shiftKey) {
    event.preventDefault();
    byId("note-form").requestSubmit();
  }
});
byId("note-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const text = byId("note-text").value.trim();
  if (sending || !text) return;
  sending = true;
  renderLeft();
  write(byId("note-words"), "Being kept …");
  const refused = await link.send("/office/note", { job, text });
  sending = false;
  write(byId("note-words"), refused ?? "Kept; it goes out by itself, again and again until it is heard.");
  if (!refused) byId("note-text").value = "";
  renderLeft();
});
renderLeft();
showWho(byId("who")).then((role) => show(byId("note-form"), role === null || role === "office"));
