/* The technician's page: what the check says, as large as it can be read, and the buttons that answer it. */

import { keepAwake } from "./awake.js";
import { Band } from "./band.js";
import { Desk } from "./desk.js";
import { Digits } from "./digits.js";
import { byId, made, show, write } from "./dom.js";
import { Link } from "./link.js";
import { keptControl } from "./memory.js";
import { railRows, slimRail } from "./rail.js";
import { showWho } from "./session.js";
import { drawValue } from "./value.js";
import { Voice } from "./voice.js";

const DEBOUNCE_MS = 300;
const REMARK_MS = 5000;
const OLD_S = 3;
const ASKS = new Set(["probe", "look", "ask", "pass", "fail", "unclear", "not-applicable"]);
const TO_CONFIRM = new Set(["confirm-dead", "watch-ready", "interval-ready", "jumper-open"]);
const SHAPES = { pass: "●", fail: "○", unclear: "◐", "not-applicable": "–" };

const asked = new URLSearchParams(location.search).has("watch");
/** Whether this page only looks on: it was asked to, who is logged in answers nothing, or what it shows is a replay. */
const looksOn = () => asked || othersRole || Boolean(state?.replay);
const digits = new Digits(byId("digits"));
const band = new Band(byId("band"));
const voice = new Voice();
const link = new Link(heard, silent);
const desk = new Desk(link);

let state = null;
let live = null;
let liveMs = 0;
let silentS = null;
let held = false;
let othersRole = false;

function heard(kind, body) {
  if (kind === "state") {
    const before = state;
    state = body;
    render(before);
  } else if (kind === "live") {
    live = body;
    liveMs = performance.now() - 1000 * body.age;
    renderLive();
  } else if (kind === "told") {
    told(body);
  }
}

function silent(seconds) {
  silentS = seconds;
  renderLink();
  if (seconds !== null) renderLive();
}

function told(body) {
  if (body.sound) voice.hear(body);
  else if (body.event === "answered" && body.page !== link.page) remark(body.text);
}

/** Say something in passing; it goes by itself. */
function remark(words) {
  write(byId("told-off"), words);
  clearTimeout(remark.end);
  remark.end = setTimeout(() => write(byId("told-off"), ""), REMARK_MS);
}

/* The state */

function render(before) {
  const { phase, check } = state;
  document.body.dataset.phase = phase;
  document.body.dataset.look = check?.step?.look ? "yes" : "no";
  const step = phase === "running" ? check?.step : null;
  if (before?.asked !== state.asked || before?.job !== state.job) newQuestion();
  write(byId("title"), check?.title ?? "Steadypoint");
  const replayed = state.replay ? "Replay: " : "";
  document.title = step ? `${replayed}${step.point} – Steadypoint` : `${replayed}Steadypoint`;
  write(byId("progress"), check ? `${check.judged} of ${check.steps} judged` : "");
  show(byId("step"), Boolean(step));
  show(byId("meter"), phase === "running");
  show(byId("slim"), Boolean(step));
  show(byId("answers"), Boolean(step) && !looksOn());
  show(byId("steps"), Boolean(check));
  show(byId("stop"), Boolean(state.starts) && phase === "running" && !looksOn());
  show(byId("watch"), !looksOn());
  show(byId("record"), Boolean(state.audits));
  show(byId("replay"), Boolean(state.replay));
  write(byId("replay"), state.replay ? `${state.replay}. No answers are taken, and nothing is stored.` : "");
  if (step) renderStep(step, check);
  renderWords(check, step);
  renderRail(check);
  renderCircuit(check);
  renderJumpers(check);
  renderSaid();
  renderFinished(check);
  renderDesk(before);
  renderLive();
  renderLink();
}

function newQuestion() {
  digits.begin();
  const limits = state.check?.step ? state.check.band : null;
  band.limits(limits, state.check?.step?.limits ?? "");
}

function renderStep(step, check) {
  const place = step.number ? `Step ${step.number} of ${check.steps}` : "Before the end";
  const before = step.before ? `before: ${step.before}` : null;
  write(byId("kicker"), [check.search ? "Looking for the fault" : place, step.group, before].filter(Boolean).join(", "));
  write(byId("point"), step.point);
  write(byId("ask"), step.ask ?? "");
  show(byId("ask"), Boolean(step.ask));
  show(byId("leads"), Boolean(step.black || step.dial));
  write(byId("black"), step.black);
  byId("black").title = step.where ?? "";
  write(byId("dial"), step.dial);
}

function renderWords(check, step) {
  const last = state.said.at(-1);
  const hint = last && !ASKS.has(last.code) && last.code !== "meter" ? last.text : (check?.search?.why ?? "");
  write(byId("hint"), state.phase === "running" ? hint : "");
  write(byId("next"), step && check.next ? `Then ${check.next}` : "");
  const verdict = check?.last;
  const key = verdict ? JSON.stringify(verdict) : "";
  const place = byId("verdict");
  if (place.dataset.key === key) return;
  place.dataset.key = key;
  place.dataset.outcome = verdict?.outcome ?? "";
  place.replaceChildren();
  if (!verdict) return;
  place.append(
    made("p", { class: "outcome" },
      made("span", { class: "shape", "aria-hidden": "true" }, SHAPES[verdict.outcome] ?? ""),
      made("b", {}, verdict.outcome), made("span", {}, ` ${verdict.point}`), made("span", { class: "value" }, verdict.value)),
  );
  if (verdict.outcome !== "pass") place.append(made("p", { class: "why" }, verdict.why));
}

function renderRail(check) {
  if (!check) return;
  write(byId("steps-title"), check.search ? "The chain" : "Steps");
  const key = JSON.stringify(check.rail);
  if (byId("rail").dataset.key !== key) {
    byId("rail").dataset.key = key;
    byId("rail").replaceChildren(...railRows(check.rail));
    if (wide.matches) byId("rail").querySelector(".here")?.scrollIntoView({ block: "nearest" });
  }
  drawSlim();
}

function drawSlim() {
  const slim = byId("slim");
  if (slim.hidden || !slim.clientHeight || !state?.check) return slim.replaceChildren();
  const point = byId("point").getBoundingClientRect();
  const markerAt = point.top + Math.min(point.height, 56) / 2 - slim.getBoundingClientRect().top;
  slim.replaceChildren(slimRail(state.check.rail, slim.clientHeight, markerAt));
}

function renderCircuit(check) {
  show(byId("circuit"), state.picture !== null);
  if (state.picture === null) return;
  const whole = byId("whole").getAttribute("aria-pressed") === "true";
  const source = `/picture.svg?of=${state.token.slice(0, 6)}-${state.picture}${whole ? "" : "#probe"}`;
  const picture = byId("picture");
  if (picture.getAttribute("src") !== source) picture.src = source;
  const at = check?.step?.point;
  picture.alt = `The circuit of ${check?.title ?? "the check"}${at ? `; probe at ${at}` : ""}. The steps say the same in words.`;
  const suspects = check?.search?.suspects ?? [];
  byId("suspects").replaceChildren(...suspects.map(({ name, share }) => made("li", {}, made("b", {}, share), ` ${name}`)));
}

function renderJumpers(check) {
  const running = state.phase === "running";
  const open = check?.jumpers ?? [];
  show(byId("jumpers"), Boolean(check) && (open.length > 0 || (running && !looksOn())));
  show(byId("fit"), running && !looksOn());
  const key = JSON.stringify([open, running]);
  const list = byId("jumpers-in");
  if (list.dataset.key === key) return;
  list.dataset.key = key;
  list.replaceChildren(...open.map((where) => {
    const row = made("li", {}, made("span", {}, made("b", {}, where), " is in"));
    if (running && !looksOn()) {
      const out = made("button", { type: "button", class: "quiet", "aria-label": `${where} is out` }, "It is out");
      out.addEventListener("click", () => enter({ fitted: false, where }));
      row.append(out);
    }
    return row;
  }));
}

function renderSaid() {
  show(byId("said-section"), state.said.length > 0);
  byId("said").replaceChildren(...state.said.map(({ text }) => made("li", {}, text)).reverse());
}

function renderFinished(check) {
  const over = state.phase === "ended" || state.phase === "broken-off";
  show(byId("finished"), over);
  if (!over || !check) return;
  const complete = state.end?.complete;
  const title = state.phase === "broken-off" ? (state.replay ? "The replay has ended" : "Broken off") : complete ? "All steps judged" : "Stopped by a step";
  write(byId("finished-title"), title);
  const counts = Object.entries(check.counts).filter(([outcome, count]) => count || outcome !== "not-applicable");
  byId("counts").replaceChildren(...counts.map(([outcome, count]) =>
    made("li", { "data-outcome": outcome }, made("span", { class: "shape", "aria-hidden": "true" }, SHAPES[outcome] ?? ""),
      made("b", {}, String(count)), ` ${outcome}`)));
  const lost = state.end?.lost_between;
  const words = [`Job ${state.job}.`];
  if (lost) words.push(`The voltage is lost between ${lost[0]} and ${lost[1]}.`);
  if (!complete && !state.replay) words.push("It can be resumed.");
  if (state.trouble) words.push(state.trouble);
  write(byId("finished-words"), words.join(" "));
}

function renderDesk(before) {
  const free = !["starting", "running"].includes(state.phase);
  const shown = Boolean(state.starts) && free && !looksOn();
  if (shown && (byId("desk").hidden || before?.token !== state.token)) desk.open();
  show(byId("desk"), shown);
  if (shown && state.phase === "none" && state.trouble) desk.refuse(state.trouble);
}

/* The live value */

function renderLive() {
  if (state?.phase !== "running") return;
  const old = whyOld();
  drawValue(digits, band, live, old);
  renderConfirm(old ? null : live.confirms);
}

/** Say why the digits are not live; null while they are. */
function whyOld() {
  if (!live) return state.trouble ?? "no reading yet";
  const age = Math.floor((performance.now() - liveMs) / 1000);
  if (silentS !== null) return `not live, ${age} s old`;
  if (state.trouble) return `not live: ${state.trouble}, ${age} s old`;
  return age >= OLD_S ? `not live, ${age} s old` : null;
}

function renderConfirm(confirms) {
  const step = state.check?.step;
  const what = step?.look ? step.ask : confirms;
  const asked = step?.look || TO_CONFIRM.has(state.said.at(-1)?.code);
  const confirm = byId("confirm");
  confirm.dataset.ready = !what ? "no" : asked ? "asked" : "yes";
  write(byId("confirms"), what ?? (silentS === null ? "nothing to confirm now" : "no link"));
  for (const button of buttons) {
    const idle = held || silentS !== null || (button === confirm && !what);
    button.setAttribute("aria-disabled", String(idle));
  }
}

function renderLink() {
  const place = byId("link");
  const over = state && ["ended", "broken-off"].includes(state.phase) && !state.starts;
  const kind = silentS === null ? (state ? "live" : "none") : over ? "over" : "lost";
  place.dataset.link = kind;
  document.body.dataset.link = kind;
  const words = { live: "linked", none: "no link yet", over: "the check has ended", lost: `no link since ${silentS} s` };
  write(place, words[kind]);
}

/* Answers */

const buttons = [...document.querySelectorAll("[data-answer]")];

for (const button of buttons) {
  button.addEventListener("click", async () => {
    if (button.getAttribute("aria-disabled") === "true") return;
    hold();
    const given = { answer: button.dataset.answer, asked: state.asked, page: link.page };
    const refused = await link.send("/answer", given);
    if (refused) remark(refused);
  });
}

/* A pedal or a presenter sends one key or another: with the switch on, each confirms, as far as anything is to be. */
keptControl(byId("keys"), () => {});
addEventListener("keydown", (event) => {
  const elsewhere = event.target.closest?.("button, input, select, textarea, a, dialog");
  if (!byId("keys").checked || looksOn() || event.repeat || elsewhere || byId("answers").hidden) return;
  event.preventDefault();
  byId("confirm").click();
});

/** Take no answer for a moment: a hand in a glove presses twice. */
function hold() {
  held = true;
  renderLive();
  setTimeout(() => {
    held = false;
    renderLive();
  }, DEBOUNCE_MS);
}

const dialog = byId("note-dialog");

byId("note").addEventListener("click", () => {
  byId("note-text").value = "";
  dialog.returnValue = "";
  dialog.showModal();
});

dialog.addEventListener("close", async () => {
  const text = byId("note-text").value.trim();
  if (dialog.returnValue === "keep" && text) await keep("/note", { text });
});

const jumper = byId("jumper-dialog");

byId("fit").addEventListener("click", () => {
  byId("jumper-form").reset();
  jumper.returnValue = "";
  jumper.showModal();
});

jumper.addEventListener("close", () => {
  const where = byId("jumper-where").value.trim();
  if (jumper.returnValue === "keep" && where) enter({ fitted: true, where, why: byId("jumper-why").value.trim() });
});

/** Enter a jumper; what the register says of it is said as everything else is. */
async function enter(entry) {
  const refused = await link.send("/jumper", entry);
  if (refused) remark(refused);
}

byId("photo").addEventListener("change", async ({ currentTarget }) => {
  const [photo] = currentTarget.files;
  if (photo) await keep("/photo", photo, photo.type);
  currentTarget.value = "";
});

async function keep(path, body, type) {
  remark("Being kept …");
  remark((await link.send(path, body, type)) ?? "Kept with the record.");
}

byId("whole").addEventListener("click", ({ currentTarget }) => {
  const whole = currentTarget.getAttribute("aria-pressed") !== "true";
  currentTarget.setAttribute("aria-pressed", String(whole));
  renderCircuit(state.check);
});
byId("stop").addEventListener("click", () => link.send("/stop", {}));

/* The page itself */

const wide = matchMedia("(min-width: 900px)");
wide.addEventListener("change", drawSlim);
new ResizeObserver(drawSlim).observe(byId("work"));
setInterval(() => state && renderLive(), 1000);
if (asked) show(byId("watch"), false);
keepAwake();
showWho(byId("who")).then((role) => {
  othersRole = role !== null && role !== "technician";
  if (state) render(state);
});
