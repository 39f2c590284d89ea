/* Times as the office's clock has them, and lengths of time in words. */

let aheadMs = 0;

/** Take over what the office's clock says. */
export function hear(nowMs) {
  aheadMs = nowMs - Date.now();
}

export const now = () => Date.now() + aheadMs;

/** How long ago something was, as short as it can be said. */
export function ago(atMs) {
  const seconds = Math.max(0, Math.round((now() - atMs) / 1000));
  if (seconds < 100) return `${seconds} s`;
  const minutes = Math.round(seconds / 60);
  if (minutes < 100) return `${minutes} min`;
  const hours = Math.floor(minutes / 60);
  return hours < 48 ? `${hours} h ${minutes % 60} min` : `${Math.floor(hours / 24)} days`;
}

/** A time of day. */
export function clock(atMs) {
  return new Date(atMs - aheadMs).toTimeString().slice(0, 8);
}

/** A day and a time of day, as the trade's papers write it (ISO 8601). */
export function day(atMs) {
  const at = new Date(atMs - aheadMs);
  const two = (number) => String(number).padStart(2, "0");
  return `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())} ${two(at.getHours())}:${two(at.getMinutes())}`;
}
