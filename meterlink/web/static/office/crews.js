/* All crews at a glance: what needs help first. */

import { byId, made, show, write } from "../dom.js";
import { Link } from "../link.js";
import { remember, remembered } from "../memory.js";
import { showWho } from "../session.js";
import { hear, now } from "./clock.js";
import { Crew } from "./crew.js";
import { showLink, showNews } from "./standing.js";
import { Tones } from "./tones.js";

const KINDS = ["state", "cards", "lives", "beat"];
const FRESH_MS = 60_000;
const crews = new Map();
const known = new Map();
const tones = new Tones();
let loaded = false;
let sorting = false;
new Link(heard, silent, "/office/events", KINDS);

function heard(kind, body) {
  if (kind === "cards") {
    body.forEach(takeCard);
    loaded = true;
    arrange();
  } else if (kind === "lives") {
    body.forEach((shown) => crews.get(shown.job)?.live(shown));
  } else {
    hear(body.now);
    if (kind === "state") takeState(body);
    if (kind === "beat") loaded = true;
  }
}

function silent(seconds) {
  showLink(seconds, loaded);
}

function takeState({ jobs, reached, news }) {
  const there = new Set(jobs);
  for (const job of crews.keys()) if (!there.has(job)) drop(job);
  showNews(reached, news);
  loaded = loaded || jobs.length === 0;
  arrange();
}

function takeCard(card) {
  if (card.gone) return drop(card.job);
  if (!crews.has(card.job)) crews.set(card.job, new Crew(card.job));
  crews.get(card.job).take(card);
  listen(card);
}

function drop(job) {
  crews.get(job)?.element.remove();
  crews.delete(job);
  known.delete(job);
}

/* Let what is new be heard: an alert once, however often its card comes; nothing old. */
function listen(card) {
  const before = known.get(card.job);
  const alerts = new Set(card.alerts.map(({ about, since }) => `${about} ${since}`));
  known.set(card.job, { alerts, seq: card.last?.seq });
  if (!loaded && !before) return;
  const fresh = card.alerts.filter(({ about, since }) => !before?.alerts.has(`${about} ${since}`));
  if (fresh.length) {
    write(byId("new-alert"), `${card.lift ?? card.title}, ${card.device}: ${fresh.map(({ words }) => words).join("; ")}`);
    tones.alert(fresh[0].about);
  } else if (card.last && card.last.seq !== before?.seq && now() - card.last.at < FRESH_MS) {
    tones.verdict(card.last.outcome);
  }
}

/* Order, and what is wanted of it */

function arrange() {
  if (sorting) return;
  sorting = true;
  requestAnimationFrame(() => {
    sorting = false;
    sort();
  });
}

function sort() {
  const focused = document.activeElement;
  const all = [...crews.values()].filter((crew) => crew.card);
  all.sort((one, other) => compare(one.card, other.card));
  const groups = { help: [], work: [], over: [] };
  const text = byId("find").value.trim().toLowerCase();
  const site = byId("site").value;
  for (const crew of all) {
    if ((site && crew.card.site !== site) || (text && !crew.has(text))) continue;
    groups[crew.card.phase !== "running" ? "over" : crew.level === "help" ? "help" : "work"].push(crew.element);
  }
  let shown = 0;
  for (const [name, elements] of Object.entries(groups)) {
    shown += elements.length;
    const list = byId(name).querySelector("ol");
    const same = list.children.length === elements.length && elements.every((each, index) => list.children[index] === each);
    if (!same) list.replaceChildren(...elements);
    write(byId(`${name}-count`), String(elements.length));
    show(byId(name), elements.length > 0);
  }
  if (focused !== document.activeElement && focused?.isConnected) focused.focus({ preventScroll: true });
  show(byId("none"), shown === 0 && loaded);
  write(byId("none"), all.length ? "No crew fits what is asked for above." : "No crew is at work. A job shows here as soon as a crew's relay sends it.");
  const help = groups.help.length;
  document.title = `${help ? `${help} need help – ` : ""}Crews – Steadypoint`;
  renderSites(all);
}

function compare({ order: one, job }, { order: other, job: otherJob }) {
  const place = one.findIndex((each, index) => each !== other[index]);
  return place < 0 ? job.localeCompare(otherJob) : one[place] - other[place];
}

function renderSites(all) {
  const chosen = byId("site").value || (remembered("site") ?? "");
  const sites = [...new Set([...all.map(({ card }) => card.site), ...(chosen ? [chosen] : [])])].sort();
  const key = sites.join("\n");
  if (byId("site").dataset.key === key) return;
  byId("site").dataset.key = key;
  byId("site").replaceChildren(made("option", { value: "" }, "all"), ...sites.map((site) =>
    made("option", { value: site }, site === "-" ? "not registered" : site)));
  byId("site").value = chosen;
}

byId("find").addEventListener("input", arrange);
byId("find").form.addEventListener("submit", (event) => event.preventDefault());
byId("site").addEventListener("change", () => {
  remember("site", byId("site").value);
  arrange();
});
showWho(byId("who"));
setInterval(() => crews.forEach((crew) => crew.renderTime()), 1000);
