// Before the first cue: what must hold, the practice round, and the participant's window.

import { Readouts, byId, make, plain, token } from "../common.js";

const NAMES = {
  sensor: "Sensor",
  light: "Light",
  headroom: "Headroom",
  hand: "Hand in view",
  disk: "Disk space",
};
const SIGNS = { true: "\u2714", false: "\u26A0", null: "\u2026" };
const WORDS = { true: "holds", false: "does not hold", null: "not known yet" };

let shown = "";

export function openCheck(now) {
  shown = "";
  byId("check-whom").textContent = `Participant ${now.participant}, script ${plain(now.script)}`;
  byId("checks").replaceChildren();
  byId("check-readouts").replaceChildren();
  byId("check-error").textContent = "";
  return new Readouts(byId("check-readouts"));
}

export function drawCheck(now) {
  const { checks, moment, n_practised: done, n_missed: missed, n_practice: all } = now;
  const key = JSON.stringify(checks);
  if (key !== shown) {
    shown = key;
    const rows = checks.map(({ name, holds, text }) => {
      const sign = make("span", { className: "sign" }, SIGNS[holds]);
      sign.setAttribute("aria-hidden", "true");
      const state = make("span", { className: "unseen" }, ` ${WORDS[holds]}: `);
      return make("li", { className: `holds-${holds}` }, sign, make("b", {}, NAMES[name]), state, make("span", {}, text));
    });
    byId("checks").replaceChildren(...rows);
    const ready = checks.every(({ holds }) => holds);
    byId("begin").firstChild.data = ready ? "Start recording " : "Start all the same ";
  }
  byId("practise").firstChild.data = moment ? "End the practice " : "Practice round ";
  const words = moment?.trial_type ? now.prompts[moment.trial_type] : "";
  const said = { rest: "next", cue: "now" }[moment?.phase] ?? "";
  const unseen = missed ? `; nothing moved in ${missed}` : "";
  const next = words && said ? ` ${said}: ${words}` : "";
  byId("practice").textContent = moment || done ? `Practice: ${done} of ${all} cues${unseen}.${next}` : "";
}

// The participant's window; the token goes behind the # as in the address that the command prints.
export function openParticipant() {
  open(`/participant${token ? `#token=${token}` : ""}`, "palmwatt-participant", "popup,width=1280,height=800");
  byId("large-cue").checked = false; // it is shown there
  byId("large-cue").dispatchEvent(new Event("change"));
}
