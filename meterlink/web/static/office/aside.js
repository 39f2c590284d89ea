/* What was refused, as text and nothing else. */

import { byId, made } from "../dom.js";
import { day } from "./clock.js";
import { listing } from "./listing.js";

listing("/office/aside", ({ aside, before }, first) => {
  if (first) byId("asides").replaceChildren();
  byId("asides").append(...aside.map(row));
  const count = byId("asides").children.length;
  return count ? `${count}${before ? " and more" : ""}, the newest first` : "Nothing was refused.";
});

function row({ at, device, job, reason, size, kept, payload }) {
  const bytes = `${size} bytes${kept < size ? `, the first ${kept} of them` : ""}`;
  return made("li", { class: "tall" },
    made("h2", {}, reason),
    made("p", { class: "dim" }, [day(at), device, job && `job ${job}`].filter(Boolean).join(" · ")),
    made("details", {}, made("summary", {}, `What came: ${bytes}`), made("pre", { tabindex: "0" }, payload)));
}
