// The recording page: the form, what the participant sees, and how it ended.

import { Readouts, Refused, ask, byId, colours, commandKey, listen, make, plain, sharp } from "../common.js";
import { drawCheck, openCheck, openParticipant } from "./check.js";
import { Cue } from "../cue/cue.js";
import { noted, takePlan } from "./planned.js";

const HEAD_BYTES = 24;
const TRACE_S = 10;

const cue = new Cue(17);
let choices = { participants: [], scripts: [] };
let now = { state: "ready" };
let readouts = null;
let newest = null;
let ranges = null;
let trace = [];
let arrivals = [];
let told = "";
let figuresAt = 0;
let recalled = false; // the form shows what an earlier session noted

function show(view) {
  byId("top").hidden = view === "scene";
  for (const name of ["form-view", "check", "scene", "end"]) byId(name).hidden = name !== view;
}

// The form

const NUMBERS = ["hand_length_mm", "hand_breadth_mm", "skin_reflectance"];

async function fillForm() {
  choices = await ask("/api/choices");
  byId("set").textContent = choices.data_set;
  const options = (values) => values.map((value) => make("option", { value }));
  byId("people").replaceChildren(...options(choices.participants.map((p) => p.participant_id)));
  byId("ports").replaceChildren(...options(choices.ports));
  if (!byId("port").value && choices.ports.length) byId("port").value = choices.ports[0];
  const names = choices.scripts.map(({ name }) => make("option", { value: name }, plain(name)));
  const chosen = byId("script").value;
  byId("script").replaceChildren(...names);
  if (chosen) byId("script").value = chosen;
  await takePlan(recallPerson);
  tellScript();
}

function tellScript() {
  const script = choices.scripts.find(({ name }) => name === byId("script").value);
  if (!script) return;
  const minutes = (script.duration_s / 60).toFixed(1);
  byId("about").textContent = `${script.n_cues} cues, about ${minutes} min. ${script.instruction}`;
}

// Somebody who was recorded before keeps what was measured then; it is nobody else's.
function recallPerson() {
  byId("consent").checked = false; // asked of each person, each time
  const person = choices.participants.find((p) => p.participant_id === byId("participant").value);
  byId("locked").disabled = person?.locked ?? false; // who is locked stays locked
  if (!person && !recalled) return; // typed for somebody new
  recalled = Boolean(person);
  for (const name of NUMBERS) byId(name).value = person?.[name] ?? "";
  byId("handedness").value = person?.handedness ?? "";
  byId("locked").checked = person?.locked ?? false;
}

async function start(event) {
  event.preventDefault();
  const wanted = {
    participant: byId("participant").value,
    consent: byId("consent").checked,
    handedness: byId("handedness").value || null,
    locked: byId("locked").checked,
    repeat_missed: byId("repeat_missed").checked,
    script: byId("script").value,
    seed: byId("seed").valueAsNumber,
    port: byId("port").value,
    ...noted(),
  };
  for (const name of [...NUMBERS, "distance_mm"]) {
    const value = byId(name).valueAsNumber;
    wanted[name] = Number.isNaN(value) ? null : value;
  }
  byId("form-error").textContent = "";
  byId("start").disabled = true;
  try {
    await ask("/api/check", { body: wanted });
  } catch (error) {
    byId("form-error").textContent = error.message;
  } finally {
    byId("start").disabled = false;
  }
}

async function wish(what) {
  const told = byId(byId("check").hidden ? "scene-error" : "check-error");
  told.textContent = "";
  try {
    await ask("/api/recording/wishes", { body: { wish: what } });
  } catch (error) {
    told.textContent = error.message;
  }
}

// What comes from the booth

function heard(data) {
  if (data instanceof ArrayBuffer) {
    takeReadout(data);
    return;
  }
  const before = now.state;
  now = JSON.parse(data);
  if (now.state === "checking") {
    if (byId("check").hidden) beginCheck();
    drawCheck(now);
  } else if (now.state === "connecting" && !byId("check").hidden) {
    byId("practice").textContent = "The recording begins.";
  } else if (now.state === "recording" || now.state === "connecting") {
    if (byId("scene").hidden) openScene();
    drawScene();
  } else if (["connecting", "recording", "checking"].includes(before)) {
    if (now.state === "ready") again();
    else openEnd(before !== "checking");
  } else if (byId("end").hidden && byId("form-view").hidden) {
    show("form-view");
    byId("participant").focus();
  }
}

function lost() {
  byId("state").textContent = "The booth does not answer; asking again.";
  byId("form-error").textContent = "The booth does not answer; asking again.";
}

function beginCheck() {
  newest = ranges = null;
  readouts = openCheck(now);
  show("check");
  byId("begin").focus();
  requestAnimationFrame(paint);
}

function openScene() {
  newest = ranges = null;
  trace = [];
  arrivals = [];
  told = "";
  byId("form-error").textContent = byId("scene-error").textContent = "";
  byId("whom").textContent = `Participant ${now.participant}, script ${plain(now.script)}`;
  byId("figures").replaceChildren();
  byId("readouts").replaceChildren();
  readouts = new Readouts(byId("readouts"));
  show("scene");
  byId("scene").focus();
  requestAnimationFrame(paint);
}

function drawScene() {
  const { progress } = now;
  const moment = progress?.moment ?? { phase: "connecting", trial_type: "", remaining_s: 0 };
  const words = moment.trial_type ? now.prompts[moment.trial_type] : "";
  const said = cue.show(moment, words, progress?.n_cues_done);
  if (said) tell(said);
  byId("pause").firstChild.data = moment.phase === "paused" ? "Go on " : "Pause ";
  if (!progress) {
    byId("state").textContent = "Connecting";
    return;
  }
  byId("state").textContent =
    `${progress.n_cues_done} of ${now.n_cues} cues done, ` +
    `${progress.time_s.toFixed(0)} of ${progress.total_s.toFixed(0)} s`;
  byId("passed").value = Math.min(1, progress.time_s / Math.max(progress.total_s, 1e-3));
  const clock = performance.now();
  if (clock - figuresAt > 250) {
    figuresAt = clock; // four times a second: nobody reads faster, and each costs a layout
    drawFigures(progress);
    drawTrace();
  }
}

function drawFigures(progress) {
  const rate = arrivals.length > 1 ? (1000 * (arrivals.length - 1)) / (arrivals.at(-1) - arrivals[0]) : 0;
  const rows = [
    ["Frame pairs", progress.n_pairs, false],
    ["Shown a second", rate.toFixed(0), false],
    ["Missing", progress.missing, progress.missing > 0],
    ["Corrupt packets", progress.corrupt, progress.corrupt > 0],
    ["Leaps of the sensor's clock", progress.clock_leaps, progress.clock_leaps > 0],
    ["Missed cues", missedWords(progress.missed), progress.missed.length > 0],
    ["Lit level", `${progress.mean_lit_counts.toFixed(0)} counts`, false],
    ["Saturated", `${(100 * progress.saturated_fraction).toFixed(1)} %`, progress.saturated_fraction > 0.01],
    ["Lit minus dark, since start", `${(100 * progress.level_change).toFixed(0)} %`, false],
  ];
  const list = byId("figures");
  if (!list.children.length) list.append(...rows.flatMap(([name]) => [make("dt", {}, name), make("dd")]));
  rows.forEach(([, value, off], i) => {
    const figure = list.children[2 * i + 1]; // what does not change stays under the reader
    const text = off ? `\u26A0 ${value}` : `${value}`;
    if (figure.textContent !== text) Object.assign(figure, { className: off ? "off" : "", textContent: text });
  });
}

// How many cues nothing answered, and which was the last.
function missedWords(missed) {
  return missed.length ? `${missed.length}, last ${plain(missed.at(-1))}` : "0";
}

function tell(text) {
  if (text !== told) {
    told = text;
    byId("told").textContent = text;
  }
}

function takeReadout(data) {
  const head = new DataView(data);
  const [nRows, nCols] = [head.getUint16(0, true), head.getUint16(2, true)];
  const n = nRows * nCols;
  newest = {
    nRows,
    nCols,
    lit: new Uint16Array(data, HEAD_BYTES, n),
    dark: new Uint16Array(data, HEAD_BYTES + 2 * n, n),
  };
  const time = head.getFloat64(8, true);
  trace.push([time, head.getFloat64(16, true)]);
  while (trace[0][0] < time - TRACE_S) trace.shift();
  arrivals.push(performance.now());
  if (arrivals.length > 60) arrivals.shift();
}

// Usual lowest and highest counts of late: at once wider, slowly narrower.
function follow(lit, dark) {
  const found = { difference: [Infinity, -Infinity], lit: [Infinity, -Infinity], dark: [Infinity, -Infinity] };
  const widen = (range, value) => {
    if (value < range[0]) range[0] = value;
    if (value > range[1]) range[1] = value;
  };
  for (let i = 0; i < lit.length; i++) {
    widen(found.lit, lit[i]);
    widen(found.dark, dark[i]);
    widen(found.difference, lit[i] - dark[i]);
  }
  if (ranges === null) {
    ranges = found;
    return;
  }
  for (const [name, [low, high]] of Object.entries(found)) {
    const range = ranges[name];
    range[0] = Math.min(low, range[0] + 0.01 * (low - range[0]));
    range[1] = Math.max(high, range[1] + 0.01 * (high - range[1]));
  }
}

function paint() {
  if (byId("scene").hidden && byId("check").hidden) return;
  if (newest !== null) {
    const { lit, dark, nRows, nCols } = newest;
    newest = null;
    follow(lit, dark);
    readouts.draw(lit, dark, nRows, nCols, ranges, 0);
  }
  requestAnimationFrame(paint);
}

function drawTrace() {
  if (!trace.length) return;
  const { pen, width, height } = sharp(byId("trace"));
  const end = trace.at(-1)[0];
  const most = Math.max(1, ...trace.map(([, energy]) => energy));
  pen.strokeStyle = colours().mark;
  pen.lineWidth = 1.5;
  pen.beginPath();
  const steps = trace.slice(1).map(([time], i) => time - trace[i][0]);
  const usual = steps.toSorted((a, b) => a - b)[steps.length >> 1] ?? 0;
  trace.forEach(([time, energy], i) => {
    const x = width * (1 - (end - time) / TRACE_S);
    const y = height - 3 - (height - 6) * Math.sqrt(energy / most);
    // Where frame pairs are missing there is no line: nobody knows what was there.
    if (i === 0 || steps[i - 1] > 1.5 * usual) pen.moveTo(x, y);
    else pen.lineTo(x, y);
  });
  pen.stroke();
}

// The end

function clockWords(clock) {
  if (!clock) return "not told";
  const drift = `${clock.drift_ppm > 0 ? "+" : ""}${clock.drift_ppm.toFixed(1)} ppm (error ${clock.drift_error_ppm.toFixed(1)})`;
  return `${drift}, known to ${(clock.offset_error_us / 1000).toFixed(2)} ms`;
}

// `opened`: a recording had begun.
function openEnd(opened) {
  show("end");
  const { result, error } = now;
  byId("end-title").textContent = error
    ? `The ${opened ? "recording" : "preparation"} ended with an error`
    : result.stopped_early
      ? "Stopped early, and kept"
      : "The session is recorded";
  byId("end-text").textContent = error ?? "";
  byId("end-text").className = error ? "alert" : "";
  const rows = error
    ? []
    : [
        ["Session", result.session],
        ["Frame pairs", result.n_pairs],
        ["Length", `${result.duration_s.toFixed(1)} s`],
        ["Good takes", result.n_takes],
        ["Rejected takes", result.n_rejected],
        ["Missing frame pairs", result.missing],
        ["Corrupt packets", result.corrupt],
        ["Lost connections", result.n_gaps],
        ["Leaps of the sensor's clock", result.n_clock_leaps],
        ["Overruns counted by the sensor", result.overruns],
        ...result.clock.map((clock) => ["Sensor's clock against this machine's", clockWords(clock)]),
      ];
  byId("end-figures").replaceChildren(
    ...rows.flatMap(([name, value]) => [make("dt", {}, name), make("dd", {}, `${value}`)]),
  );
  byId("end-review").hidden = !result?.n_pairs;
  if (result) byId("end-review").href = `/review?session=${encodeURIComponent(result.session)}`;
  tell(byId("end-title").textContent);
  byId("end-title").focus();
}

async function again() {
  show("form-view");
  byId("participant").focus();
  await open();
  recallPerson();
}

async function open() {
  try {
    await fillForm();
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    show("form-view");
    byId("form-error").textContent = error.message;
  }
}

const KEYS = { " ": "pause", r: "redo", q: "stop" };
const CHECK_KEYS = { Enter: "begin", p: "practise", w: "window", q: "leave" };

document.addEventListener("keydown", (event) => {
  if (!byId("keys-on").checked || event.repeat) return;
  const keys = byId("check").hidden ? (byId("scene").hidden ? {} : KEYS) : CHECK_KEYS;
  const what = keys[commandKey(event)];
  if (!what) return;
  event.preventDefault();
  byId(what).click();
});
for (const what of Object.values(KEYS)) byId(what).addEventListener("click", () => wish(what));
for (const [id, what] of Object.entries({ begin: "start", practise: "practice", leave: "stop" })) {
  byId(id).addEventListener("click", () => wish(what));
}
byId("window").addEventListener("click", openParticipant);
byId("large-cue").addEventListener("change", () => {
  byId("scene").classList.toggle("small", !byId("large-cue").checked);
  cue.fit();
});
byId("form").addEventListener("submit", start);
byId("script").addEventListener("change", tellScript);
byId("participant").addEventListener("change", recallPerson);
byId("again").addEventListener("click", again);
await open();
listen(heard, lost);
