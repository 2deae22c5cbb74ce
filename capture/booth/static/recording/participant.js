// The participant's window: instruction, practice round, cues. It shows no readout and asks nothing.

import { byId, commandKey, listen, make } from "../common.js";
import { Cue } from "../cue/cue.js";
import { hint } from "../cue/hints.js";

const WAITING = {
  ready: ["Please wait", "The session has not begun."],
  connecting: ["Please wait", "The sensor is being asked."],
  done: ["Thank you", "The session is over."],
  failed: ["Please wait", "The session was interrupted."],
};
const PHASES = { disconnected: "Please wait", paused: "Pause; next" };

const cue = new Cue(20);
let gallery = ""; // what the gallery shows
let sounded = ""; // the cue that was last heard
let audio = null;

function show(view) {
  for (const name of ["wait", "first", "scene"]) byId(name).hidden = name !== view;
}

function tell(text) {
  if (text && byId("told").textContent !== text) byId("told").textContent = text;
}

function heard(data) {
  byId("error").textContent = "";
  const now = JSON.parse(data);
  if (now.moment && now.moment.phase !== "done") showCue(now);
  else if (now.state === "checking") showInstruction(now);
  else {
    const [title, text] = WAITING[now.state] ?? WAITING.ready;
    byId("wait-title").textContent = title;
    byId("wait-text").textContent = text;
    show("wait");
    tell(`${title}. ${text}`);
  }
}

function showInstruction(now) {
  show("first");
  byId("instruction").textContent = now.instruction;
  const key = JSON.stringify([now.prompts, byId("moving").checked]);
  if (key === gallery) return;
  gallery = key;
  const cards = Object.entries(now.prompts).map(([label, words]) => {
    const picture = hint(label, byId("moving").checked);
    return make("li", {}, ...[picture].filter(Boolean), make("span", {}, words));
  });
  byId("gallery").replaceChildren(...cards);
  tell(now.instruction);
}

function showCue(now) {
  const { moment, n_done: done, n_cues: all } = now;
  const opened = byId("scene").hidden;
  show("scene");
  byId("practice").hidden = !now.practice;
  if (opened) cue.fit();
  const words = moment.trial_type ? now.prompts[moment.trial_type] : "";
  tell(cue.show(moment, words, `${now.practice} ${done}`, PHASES));
  byId("passed").value = now.share;
  byId("count").textContent = `${done} of ${all}`;
  const key = moment.phase === "cue" ? `${now.practice} ${done} ${moment.trial_type}` : "";
  if (key && key !== sounded) beep();
  sounded = key;
}

// A short tone that neither starts nor ends with a click.
function beep() {
  if (!byId("sound").checked || audio === null) return;
  const [tone, loud, at] = [audio.createOscillator(), audio.createGain(), audio.currentTime];
  tone.frequency.value = 660;
  loud.gain.setValueAtTime(0, at);
  loud.gain.linearRampToValueAtTime(0.2, at + 0.02);
  loud.gain.setValueAtTime(0.2, at + 0.13);
  loud.gain.linearRampToValueAtTime(0, at + 0.18);
  tone.connect(loud).connect(audio.destination);
  tone.start(at);
  tone.stop(at + 0.2);
}

async function fullScreen() {
  try {
    if (document.fullscreenElement) await document.exitFullscreen();
    else await document.documentElement.requestFullscreen();
  } catch {
    byId("error").textContent = "This browser does not allow it; F11 may.";
  }
}

byId("full").addEventListener("click", fullScreen);
byId("sound").addEventListener("change", () => {
  if (!byId("sound").checked) return;
  audio ??= new AudioContext(); // browsers allow it only behind a press
  audio.resume();
  beep();
});
byId("moving").addEventListener("change", () => {
  cue.moving = byId("moving").checked;
});
document.addEventListener("keydown", (event) => {
  if (!byId("keys-on").checked || event.repeat) return;
  const target = { f: "full", s: "sound", m: "moving" }[commandKey(event)];
  if (!target) return;
  event.preventDefault();
  byId(target).click();
});
document.addEventListener("fullscreenchange", () => {
  document.body.classList.toggle("full", Boolean(document.fullscreenElement));
  cue.fit();
});
listen(heard, () => {
  byId("error").textContent = "The booth does not answer; asking again.";
}, "/cues");
