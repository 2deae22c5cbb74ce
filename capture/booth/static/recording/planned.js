// What the recording form takes from the plan of a study, and what is noted beside a recording.

import { ask, byId, plain } from "../common.js";

const FOLLOWED = ["participant", "script", "seed"];

const given = new URLSearchParams(location.search);
let step = null; // of the plan, which the form follows as long as nobody changes it
let taken = false;

function show() {
  byId("planned").hidden = step === null;
  if (step === null) return;
  const what = `${step.participant} with ${plain(step.script)} at station ${step.station}`;
  byId("planned").textContent =
    `By the plan of the study: ${what}. Another participant, script or seed leaves the plan.`;
}

// The step that the address names; after a recording, the next one of the same station.
async function nextStep() {
  if (!taken) {
    taken = true;
    const named = Object.fromEntries(given);
    return named.participant && named.script && named.seed ? named : null;
  }
  const { study } = await ask("/api/study");
  const next = study?.stations.find(({ station }) => station === given.get("station"))?.next;
  return next ? { ...next, participant: next.person, script: next.task } : null;
}

export async function takePlan(recall) {
  byId("operator").value ||= sessionStorage.getItem("operator") ?? "";
  if (!given.get("station")) return;
  step = await nextStep();
  byId("station").value = given.get("station");
  if (step) for (const name of FOLLOWED) byId(name).value = step[name];
  if (step) recall();
  show();
}

export function noted() {
  sessionStorage.setItem("operator", byId("operator").value);
  return {
    station: byId("station").value || null,
    operator: byId("operator").value || null,
    notes: byId("notes").value,
    planned: step !== null,
  };
}

for (const name of FOLLOWED) {
  byId(name).addEventListener("change", () => {
    if (step && byId(name).value !== `${step[name]}`) step = null;
    show();
  });
}
