/* What the meter shows: digits, unit, band, and the same in words. */

import { byId, write } from "./dom.js";

/** Draw the live value; `old` says why it is not live, null while it is. */
export function drawValue(digits, band, live, old) {
  const shown = live?.display ? live : null;
  document.body.dataset.live = old ? "no" : "yes";
  digits.draw(shown?.display ?? "");
  const spoken = shown ? `${shown.display} ${shown.unit}` : live ? "display blank" : "no reading";
  byId("digits").setAttribute("aria-label", old ? `${old}; last ${spoken}` : spoken);
  write(byId("unit"), shown?.unit ?? "");
  write(byId("function"), old ?? [live.function, ...live.notes, ...(shown ? [] : ["display blank"])].join(", "));
  write(byId("off"), old ? "" : (live.off ?? ""));
  band.value(old ? null : live.mark, spoken);
}
