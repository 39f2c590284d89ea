/* The link to the check, or to the office: server-sent events that come back by themselves, and answers that are sent.

   A browser notices a broken connection, but not a dead one: so whoever is silent for longer than a few beats is given
   up, and the link begun anew from what was heard last. */

import { leaveIfOut } from "./session.js";

const BEAT_MS = 2000;
const SILENT_MS = 3 * BEAT_MS;
const AGAIN_MS = 3000;

export class Link {
  /** `heard` is called with the kind of each message and its body; `since` with the seconds of silence, or null. */
  constructor(heard, since, path = "/events", kinds = ["state", "live", "told", "beat"]) {
    this.heard = heard;
    this.since = since;
    this.path = path;
    this.kinds = kinds;
    this.token = "";
    this.lastId = "";
    this.lastMs = null;
    this.failed = false;
    this.page = Math.random().toString(36).slice(2, 10);
    this.open();
    setInterval(() => this.look(), 500);
    for (const event of ["online", "pageshow"]) addEventListener(event, () => this.look(true));
    document.addEventListener("visibilitychange", () => document.hidden || this.look());
  }

  open() {
    this.source?.close();
    this.openedMs = performance.now();
    this.source = new EventSource(`${this.path}${this.lastId ? `?last=${encodeURIComponent(this.lastId)}` : ""}`);
    for (const kind of this.kinds) {
      this.source.addEventListener(kind, (event) => this.take(kind, event));
    }
    this.source.onerror = ({ currentTarget }) => {
      this.failed = true;
      if (currentTarget.readyState === EventSource.CLOSED) leaveIfOut(); // refused, not cut off
    };
  }

  take(kind, event) {
    this.lastMs = performance.now();
    this.failed = false;
    if (event.lastEventId) this.lastId = event.lastEventId;
    const body = JSON.parse(event.data);
    if (kind === "state") this.token = body.token;
    this.since(null);
    this.heard(kind, body);
  }

  look(now = false) {
    const ms = performance.now();
    const silentMs = ms - (this.lastMs ?? this.openedMs);
    if (!this.failed && silentMs < SILENT_MS) return;
    this.since(Math.floor(silentMs / 1000));
    if (now || ms - this.openedMs > (this.failed ? AGAIN_MS : SILENT_MS)) this.open();
  }

  /** Send something; returns null when it was taken, else why not. */
  async send(path, body, type = "application/json") {
    const headers = { "Content-Type": type, "X-Steadypoint-Token": this.token };
    const data = type === "application/json" ? JSON.stringify(body) : body;
    try {
      const answer = await fetch(path, { method: "POST", headers, body: data, signal: AbortSignal.timeout(20000) });
      return answer.ok ? null : await answer.text();
    } catch {
      return "No link: this was not sent. Try again.";
    }
  }
}
