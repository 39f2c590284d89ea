/* What proves the job: its chain and seal, and that its bytes are judged today as they were then. */

import { byId, made } from "../dom.js";
import { asked } from "./api.js";
import { recordState, time } from "./words.js";

/** Check the chain; return what the record is. */
export async function showProof(job, sealedTo) {
  const place = byId("proof");
  try {
    const proof = await asked(`jobs/${job}/proof`);
    place.replaceChildren(made("p", {}, recordState(proof, sealedTo)),
      made("ul", { class: "against" }, ...items(proof.troubles)), made("ul", {}, ...items(proof.facts)),
      ...(proof.key ? [made("p", { class: "dim" }, `Key ${proof.key}`)] : []));
  } catch (error) {
    place.replaceChildren(made("p", { class: "refused" }, error.message));
  }
}

/** Judge the stored bytes anew when asked to. */
export function judgesAgain(job) {
  byId("again").addEventListener("click", async () => {
    const place = byId("judged");
    place.replaceChildren(made("p", {}, "Being judged again …"));
    try {
      const found = await asked(`jobs/${job}/replay`);
      place.replaceChildren(made("p", {}, words(found)), made("ul", {}, ...found.differences.map(difference)));
    } catch (error) {
      place.replaceChildren(made("p", { class: "refused" }, error.message));
    }
  });
}

function words({ outcomes, different, frames, not_decoded: rest, unread }) {
  const told = different ? `${different} DIFFERENT` : "identical";
  const without = rest ? `, ${rest} readings without a frame to decode` : "";
  return [`${outcomes} outcomes: ${told}. ${frames} frames decoded again${without}.`, ...unread].join(" ");
}

function difference({ event, t, stored, replayed }) {
  const said = (body) => (body === null ? "nothing" : JSON.stringify(body));
  return made("li", {}, `Event ${event}, ${time(t)}: stored ${said(stored)}; now ${said(replayed)}`);
}

const items = (texts) => texts.map((text) => made("li", {}, text));
