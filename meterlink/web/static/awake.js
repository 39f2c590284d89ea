/* Keeps the screen on while it is wanted. Browsers allow it to pages of this machine or of an encrypted site only. */

import { byId, write } from "./dom.js";
import { remember, remembered } from "./memory.js";

export function keepAwake() {
  const wanted = byId("awake");
  const possible = "wakeLock" in navigator;
  wanted.checked = possible && remembered("awake") !== "no";
  wanted.disabled = !possible;
  if (!possible) write(byId("awake-words"), "Not possible here: set the device's own display time.");
  const hold = async () => {
    if (!wanted.checked || document.hidden) return;
    try {
      lock = await navigator.wakeLock.request("screen");
    } catch {
      write(byId("awake-words"), "The device did not allow it; its battery may be low.");
    }
  };
  let lock = null;
  wanted.addEventListener("change", () => {
    remember("awake", wanted.checked ? "yes" : "no");
    if (wanted.checked) hold();
    else lock?.release();
  });
  document.addEventListener("visibilitychange", hold);
  hold();
}
