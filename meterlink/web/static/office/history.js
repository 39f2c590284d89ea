/* All jobs that the office has. */

import { byId, made, show } from "../dom.js";
import { day } from "./clock.js";
import { listing } from "./listing.js";
import { shape } from "./shapes.js";

const STATES = { complete: ["ended", "every step judged"], stopped: ["stopped", "stopped before its end"], interrupted: ["left", "without an end"] };

listing("/office/history", (body, first) => {
  if (first) byId("jobs").replaceChildren();
  byId("jobs").append(...body.jobs.map(row));
  show(byId("gone-section"), body.gone.length > 0);
  byId("gone").replaceChildren(...body.gone.map(({ job, device, site, at, archive }) =>
    made("li", {}, made("b", {}, job), made("span", {}, `${device}, ${site}`), made("span", {}, day(at)), made("code", {}, archive))));
  const count = byId("jobs").children.length;
  return count ? `${count}${body.before ? " and more" : ""} ${count === 1 ? "job" : "jobs"}` : "No job fits.";
});

function row(job) {
  const [sign, words] = STATES[job.state];
  const counts = ["pass", "fail", "unclear"].filter((each) => job.counts[each]);
  const lost = job.lost_between ? `lost between ${job.lost_between.join(" and ")}` : null;
  return made("li", { "data-fail": String(job.fail) },
    made("div", { class: "wide" }, made("h2", {}, made("a", { href: `/job/${encodeURIComponent(job.job)}`, class: "whole" }, job.lift ?? job.title)),
      made("p", { class: "dim" }, [job.device, job.site === "-" ? null : job.site, job.operator].filter(Boolean).join(" · "))),
    made("div", { class: "wide" }, made("p", {}, job.title), made("p", { class: "dim" }, `${job.job}, begun ${day(job.started)}`)),
    made("p", { class: "state" }, shape(sign), ` ${words}${job.sealed ? ", sealed" : ""}`),
    made("p", { class: "counts" }, ...counts.map((each) => made("span", { "data-outcome": each }, shape(each), made("b", {}, String(job.counts[each])), ` ${each}`)),
      lost && made("span", { class: "lost" }, lost)),
    made("a", { href: `/audit/${encodeURIComponent(job.job)}`, class: "button" }, "Timeline"));
}
