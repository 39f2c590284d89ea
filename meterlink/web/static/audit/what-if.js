/* What another procedure would have said. It is marked as such, and stored nowhere. */

import { byId, made } from "../dom.js";
import { asked } from "./api.js";
import { outcome } from "./words.js";

/** Offer the procedures, and answer when one is asked about. */
export async function offersWhatIf(job) {
  byId("ask").addEventListener("submit", async (event) => {
    event.preventDefault();
    const procedure = byId("procedure").value;
    say(made("p", {}, `${procedure} is being asked …`));
    try {
      say(...answer(await asked(`jobs/${job}/what-if?${new URLSearchParams({ procedure })}`)));
    } catch (error) {
      say(made("p", { class: "refused" }, error.message));
    }
  });
  try {
    const { procedures } = await asked("procedures");
    byId("procedure").replaceChildren(...procedures.map((name) => made("option", { value: name }, name)));
  } catch (error) {
    say(made("p", { class: "refused" }, error.message));
  }
}

/** Let the procedure that the job was run by stand first. */
export function proposes(name) {
  const options = [...byId("procedure").options];
  const own = options.find((option) => option.value === name);
  if (own) byId("procedure").value = name;
}

function say(...children) {
  byId("answer").replaceChildren(made("div", { class: "only-if" }, ...children));
}

function answer({ procedure, revision, verdicts, differences }) {
  const parts = [
    made("h3", {}, "WHAT-IF, not a verdict; nothing was stored"),
    made("p", {}, `${procedure} revision ${revision}: ${differences.length} of ${verdicts} verdicts would be others, or by other limits.`),
  ];
  if (differences.length) parts.push(table(differences));
  return parts;
}

function table(differences) {
  const head = ["Step", "Stored", "What-if"].map((name) => made("th", { scope: "col" }, name));
  const rows = differences.map(({ step, point, stored, what_if: other }) =>
    made("tr", {}, made("th", { scope: "row" }, [point, step].filter(Boolean).join(", ")), cell(stored), cell(other)));
  return made("table", {}, made("thead", {}, made("tr", {}, ...head)), made("tbody", {}, ...rows));
}

function cell(verdict) {
  if (!verdict) return made("td", {}, "none");
  const by = verdict.limits ? ` (${verdict.limits})` : "";
  return made("td", {}, outcome(verdict.outcome), ` ${verdict.value}${by}`);
}
