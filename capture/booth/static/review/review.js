// The review page: sessions, the cursor and playing, edits, agreement.

import { Readouts, Refused, ask, byId, commandKey, make, plain } from "../common.js";
import { Edits, rowAt, rowOf } from "./edits.js";
import { Frames } from "./frames.js";
import { actOf, showKeys } from "./keys.js";
import { NewTake } from "./new_take.js";
import { question, showAgreements, showDoubts, showSessions, showTakes, stateOf } from "./panels.js";
import { Player } from "./player.js";
import { Timeline, indexAt } from "./timeline.js";

const REASONS = [
  "another movement than the cue",
  "no movement",
  "cut off at an end",
  "hand out of the sensor's sight",
];

let session = null; // what the booth says about it
let frames = null;
let readouts = null;
let table = null; // labels as they stand, with their revision
let looking = 0; // timer of a new look at the sessions
let current = ""; // the session to come back to then
let wanted = 0; // number of the newest call to open a session

const line = new Timeline(byId("near"), byId("whole"), {
  seek: (time) => {
    player.stop();
    seek(time);
  },
  choose: (row) => choose(row),
  move: (onset, end) => change({ onset_s: onset, duration_s: end - onset }),
  mark: (from, to) => newTake.between(from, to),
});
const player = new Player((time) => seek(time), () => drawReadout());
const newTake = new NewTake(line, {
  open: () => (table && !table.finished ? session.labels : null),
  add: (take, said) => edits.save("add", () => take, () => said),
  tell,
  complain,
});

const labeller = () => byId("labeller").value.trim().toUpperCase();
const blind = () => byId("blind").checked;
const chosenTake = () => table?.events[line.chosen];
const base = () => `/api/sessions/${encodeURIComponent(session.id)}`;
const view = () => `labeller=${encodeURIComponent(labeller())}&blind=${blind() ? "yes" : "no"}`;

function tell(text) {
  byId("told").textContent = text;
}

function complain(error) {
  if (error && !(error instanceof Refused)) throw error;
  byId("error").textContent = error ? error.message : "";
}

// Sessions

async function listSessions() {
  const { sessions } = await ask(`/api/sessions?blind=${blind() ? "yes" : "no"}`);
  showSessions(sessions, session?.id, openSession);
}

function knowsWho() {
  if (byId("labeller").value && byId("labeller").checkValidity()) return true;
  byId("hint").textContent = "Enter who you are, then choose a session.";
  byId("hint").hidden = false;
  byId("labeller").focus();
  return false;
}

async function openSession(id) {
  if (!knowsWho()) return;
  const call = ++wanted;
  clearTimeout(looking);
  player.stop();
  byId("work").hidden = true;
  byId("hint").hidden = false;
  byId("hint").textContent = "Reading the session…";
  try {
    const found = await ask(`/api/sessions/${encodeURIComponent(id)}`);
    const packed = await ask(`/api/sessions/${encodeURIComponent(id)}/energy`, { bytes: true });
    const labels = await ask(`/api/sessions/${encodeURIComponent(id)}/labels?${view()}`);
    if (call !== wanted) return; // another one was chosen meanwhile
    complain();
    byId("hint").hidden = true;
    byId("work").hidden = false;
    session = found;
    const n = packed.byteLength / 12;
    line.load(new Float64Array(packed, 0, n), new Float32Array(packed, 8 * n, n), session.gaps);
    frames = new Frames(session, n, (error) => (error ? complain(error) : drawReadout()));
    newTake.leave();
    byId("readouts").replaceChildren();
    readouts = new Readouts(byId("readouts"));
    byId("doubts").hidden = true;
    byId("near").setAttribute("aria-valuemax", session.duration_s.toFixed(2));
    byId("title").textContent = plain(session.id.replaceAll("_", ", "));
    takeTable(labels);
    choose(0, false);
    byId("title").focus();
    await listSessions();
    lookFirst(call).catch(complain);
  } catch (error) {
    if (call !== wanted) return;
    session = table = null;
    byId("hint").hidden = true;
    complain(error);
  }
}

// Which takes to look at first; all sessions are judged for it, so it comes when it is there.
async function lookFirst(call) {
  const found = await ask(`${base()}/doubts?${view()}`);
  if (call === wanted) showDoubts(found, (time) => rowAt(table.events, time), jump);
}

// Cursor and playing

function seek(time) {
  line.cursor = Math.max(0, Math.min(line.length, time));
  line.reveal(line.cursor);
  line.redraw();
  drawReadout();
}

function step(pairs) {
  player.stop();
  const index = indexAt(line.times, line.cursor + 1e-9) + pairs;
  seek(line.times[Math.max(0, Math.min(line.times.length - 1, index))]);
}

function drawReadout() {
  if (!session || !line.times.length) return;
  const index = indexAt(line.times, line.cursor + 1e-9);
  const pair = frames.get(index);
  if (pair) {
    readouts.draw(pair.lit, pair.dark, session.n_rows, session.n_cols, session.ranges, session.saturation_counts);
  }
  const under = takeUnder(line.cursor);
  const rows = [
    ["Time", `${line.cursor.toFixed(3)} s of ${session.duration_s.toFixed(3)} s`],
    ["Frame pair", `${index + 1} of ${line.times.length}`],
    ["Readout energy", `${Math.round(line.energy[index])} counts`],
    ["Take", under < 0 ? "none" : `${under + 1}, ${plain(table.events[under].trial_type)}`],
    ["Unit", session.unit],
    ["", pair ? "" : "reading…"],
  ];
  byId("at").replaceChildren(
    ...rows.flatMap(([name, value]) => [make("dt", {}, name), make("dd", {}, value)]),
  );
  const slider = byId("near");
  slider.setAttribute("aria-valuenow", line.cursor.toFixed(2));
  slider.setAttribute("aria-valuetext", `${line.cursor.toFixed(2)} seconds, ${rows[3][1]}`);
  return pair !== null;
}

function takeUnder(time) {
  return table ? table.events.findIndex((t) => time >= t.onset_s && time <= t.onset_s + t.duration_s) : -1;
}

function playOrStop() {
  if (player.now) player.stop();
  else player.play(line.cursor >= line.length - 1e-6 ? 0 : line.cursor, line.length);
}

function playTake() {
  const take = chosenTake();
  if (take) player.play(take.onset_s, take.onset_s + take.duration_s);
}

// Takes

function choose(row, heard = true) {
  if (!table) return;
  line.chosen = Math.max(0, Math.min(table.events.length - 1, row));
  const take = chosenTake();
  if (take) {
    player.stop();
    seek(take.onset_s);
    line.reveal(take.onset_s + take.duration_s);
    if (heard) tell(`Take ${line.chosen + 1}, ${plain(take.trial_type)}, ${stateOf(take)}`);
  }
  markChosen();
}

function markChosen() {
  [...byId("takes").rows].forEach((row, i) => {
    row.setAttribute("aria-current", `${i === line.chosen}`);
  });
  const [box, row] = [byId("takes-box"), byId("takes").rows[line.chosen]];
  if (row && (row.offsetTop < box.scrollTop || row.offsetTop + row.offsetHeight > box.scrollTop + box.clientHeight)) {
    box.scrollTop = row.offsetTop - box.clientHeight / 2;
  }
  const take = chosenTake();
  const closed = !take || table.finished;
  for (const id of ["label", "reject"]) byId(id).disabled = closed;
  byId("add").disabled = table.finished;
  byId("play-take").disabled = !take;
  byId("good").disabled = closed || take.status === "good";
  line.redraw();
}

// Take labels in; `edited` is the row that was changed. What was chosen meanwhile stays chosen.
function takeTable(labels, edited = line.chosen) {
  const [kept, row] = [chosenTake(), line.chosen];
  table = labels;
  line.takes = table.events;
  showTakes(table.events, choose);
  byId("undo").disabled = !table.can_undo;
  byId("redo").disabled = !table.can_redo;
  byId("finish").hidden = !blind() || table.finished;
  const ended = table.finished ? "Blind review ended; it can no longer change. " : "";
  byId("saved").textContent = `${ended}Saved; revision ${table.revision.split(".")[0]}.`;
  showAgreements(table.agreements, jump);
  if (table.row !== null && edited === row) line.chosen = table.row;
  else if (kept) line.chosen = rowOf(table.events, kept, row);
  line.chosen = Math.min(line.chosen, table.events.length - 1);
  markChosen();
  drawReadout();
}

// To the take of a cue, or where there is none to that time.
function jump(time) {
  const row = rowAt(table.events, time);
  if (row < 0) seek(time);
  else choose(row);
}

const edits = new Edits({
  open: () => table && session && { table, path: base(), who: { labeller: labeller(), blind: blind() } },
  taken: takeTable,
  told: tell,
  failed: (error) => {
    complain(error);
    if (error) line.cancel();
  },
});

// Change the chosen take: fields, or what makes them of the take as it then stands.
function change(fields) {
  const [take, row] = [chosenTake(), line.chosen];
  if (!take) return;
  const what = ({ events }) => {
    const now = rowOf(events, take, row);
    const made = typeof fields === "function" ? fields(events[now]) : fields;
    return made && { row: now, ...made };
  };
  edits.save("change", what, () => {
    const changed = table.events[rowOf(table.events, take, row)];
    const end = (changed.onset_s + changed.duration_s).toFixed(2);
    return `Saved: ${plain(changed.trial_type)}, ${changed.onset_s.toFixed(2)} to ${end} seconds, ${stateOf(changed)}`;
  });
}

// Move one end of a take to a time; the other end stays.
function withEnd(take, side, time) {
  const ends = [take.onset_s, take.onset_s + take.duration_s];
  ends[side] = time;
  if (ends[1] <= ends[0]) {
    complain(new Refused(0, "A take's end must come after its start."));
    return null;
  }
  seek(time);
  return { onset_s: ends[0], duration_s: ends[1] - ends[0] };
}

const setEnd = (side, time) => change((take) => withEnd(take, side, time));

// Move one end to the frame pair before or after.
function nudge(side, pairs) {
  change((take) => {
    const end = side ? take.onset_s + take.duration_s : take.onset_s;
    const index = indexAt(line.times, end + 1e-4) + pairs;
    return withEnd(take, side, line.times[Math.max(0, Math.min(line.times.length - 1, index))]);
  });
}

function putBack(act) {
  edits.save(act, () => ({}), () => `${act === "undo" ? "Taken back" : "Done again"}; revision ${table.revision.split(".")[0]}`);
}

const nameIt = (label) => change({ trial_type: label });

const reject = (reason) => change({ status: "rejected", reason });

function askLabel() {
  if (chosenTake() && !table.finished) question("What is this take?", session.labels, nameIt);
}

function askReason() {
  if (chosenTake() && !table.finished) question("Why is this take rejected?", REASONS, reject, true);
}

function finish() {
  if (!blind() || table.finished) return;
  question("End the blind review? It can no longer change then.", ["end it and show the agreement"], () =>
    edits.save("finish", () => ({}), () => "The blind review has ended; the agreement is shown."),
  );
}

const ACTS = {
  playOrStop,
  playTake,
  back: () => step(-1),
  on: () => step(1),
  secondBack: () => seek(line.cursor - 1),
  secondOn: () => seek(line.cursor + 1),
  first: () => seek(0),
  last: () => seek(line.length),
  next: () => choose(line.chosen + 1),
  before: () => choose(line.chosen - 1),
  startHere: () => setEnd(0, line.cursor),
  endHere: () => setEnd(1, line.cursor),
  startEarlier: () => nudge(0, -1),
  startLater: () => nudge(0, 1),
  endEarlier: () => nudge(1, -1),
  endLater: () => nudge(1, 1),
  askLabel,
  askReason,
  good: () => change({ status: "good" }),
  undo: () => putBack("undo"),
  redo: () => putBack("redo"),
  closer: () => line.zoom(0.5),
  further: () => line.zoom(2),
  whole: () => line.show(0, line.length),
  finish,
  keys: () => byId("table-of-keys").toggleAttribute("open"),
  newTake: () => newTake.press(),
  leave: () => newTake.leave(),
};

showKeys();
document.addEventListener("keydown", (event) => {
  if (!session || byId("work").hidden || !byId("keys-on").checked) return;
  const key = commandKey(event);
  const act = ACTS[actOf(key, event.shiftKey)];
  const label = /^[1-9]$/.test(key) ? session.labels[key - 1] : undefined;
  if (!act && !label) return;
  event.preventDefault();
  if (label) nameIt(label);
  else act();
});

const BUTTONS = { play: "playOrStop", "play-take": "playTake", label: "askLabel", reject: "askReason", add: "newTake" };
for (const id of ["play", "play-take", "label", "reject", "good", "add", "undo", "redo", "finish"]) {
  byId(id).addEventListener("click", ACTS[BUTTONS[id] ?? id]);
}

// Who

function whoChanged() {
  sessionStorage.setItem("labeller", labeller());
  current = session?.id ?? current;
  wanted++;
  session = table = null; // from now on nothing can be edited under the old name
  complain();
  clearTimeout(looking);
  // A moment later, so that nothing moves away under a click that is still going on.
  looking = setTimeout(() => lookAgain().catch(complain), 200);
}

async function lookAgain() {
  byId("work").hidden = true;
  byId("hint").hidden = false;
  await listSessions();
  if (current && byId("labeller").checkValidity()) await openSession(current);
}

byId("who").addEventListener("change", whoChanged);
byId("who").addEventListener("submit", (event) => event.preventDefault());
byId("labeller").value = sessionStorage.getItem("labeller") ?? "";

try {
  byId("set").textContent = (await ask("/api/choices")).data_set;
  await listSessions();
  current = new URLSearchParams(location.search).get("session") ?? "";
  if (current && byId("labeller").value) await openSession(current);
  else byId("labeller").focus();
  if (current && !session) byId("hint").textContent = "Enter who you are; the session then opens.";
} catch (error) {
  complain(error);
}
