// The enrolment page: the form, what the owner is asked to show, and what came of it.

import { Refused, ask, byId, commandKey, listen, make, plain } from "../common.js";
import { Cue } from "../cue/cue.js";

const PHASES = { rest: "Get ready", cue: "Now", done: "Done" };
const LATEST = 4; // answers beside the cue; the end lists all

const cue = new Cue(17);
let choices = { models: [] };
let now = { state: "ready" };
let told = "";

const own = (text) => text.replace(/\bown_(\d+)\b/g, "your own gesture $1");
const words = (name) => plain(own(name));

function show(view) {
  byId("top").hidden = view === "scene";
  for (const name of ["form-view", "scene", "end"]) byId(name).hidden = name !== view;
}

function tell(text) {
  if (text === told) return;
  told = text;
  byId("told").textContent = text;
}

// The form

async function fillForm() {
  choices = await ask("/api/enrolment");
  byId("set").textContent = choices.data_set;
  byId("ports").replaceChildren(...choices.ports.map((value) => make("option", { value })));
  if (!byId("port").value && choices.ports.length) byId("port").value = choices.ports[0];
  const chosen = byId("model").value;
  byId("model").replaceChildren(...choices.models.map(({ name }) => make("option", { value: name }, plain(name))));
  if (chosen) byId("model").value = chosen;
  byId("form").hidden = !choices.models.length;
  byId("no-model").hidden = choices.models.length > 0;
  if (choices.models.length && byId("model").value !== chosen) fillModel();
}

function fillModel() {
  const { classes, takes, most_takes: most } = choices.models.find(({ name }) => name === byId("model").value);
  Object.assign(byId("takes"), { max: most, value: takes });
  byId("most").textContent = `At most ${most}; more takes teach more.`;
  const box = ({ name, own: added }) =>
    make("label", { className: "tick" },
      make("input", { type: "checkbox", value: name, checked: !added }), make("span", {}, words(name)));
  byId("classes").replaceChildren(...classes.map(box));
}

async function start(event) {
  event.preventDefault();
  const classes = [...byId("classes").querySelectorAll("input:checked")].map(({ value }) => value);
  const wanted = { model: byId("model").value, port: byId("port").value, classes, takes: byId("takes").valueAsNumber };
  byId("form-error").textContent = "";
  byId("start").disabled = true;
  try {
    await ask("/api/enrolment", { body: wanted });
  } catch (error) {
    byId("form-error").textContent = error.message;
  } finally {
    byId("start").disabled = false;
  }
}

// What comes from the booth

function heard(data) {
  const before = now.state;
  now = JSON.parse(data);
  if (now.state === "connecting" || now.state === "enrolling") {
    if (byId("scene").hidden) openScene();
    drawScene();
  } else if (now.state === "ready") {
    if (byId("form-view").hidden) again();
  } else if (before !== now.state || byId("end").hidden) {
    openEnd();
  }
}

function lost() {
  const text = "The booth does not answer; asking again.";
  for (const name of ["form-error", "scene-error", "end-error"]) byId(name).textContent = text;
}

function clearErrors() {
  for (const name of ["form-error", "scene-error", "end-error"]) byId(name).textContent = "";
}

function openScene() {
  clearErrors();
  byId("whom").textContent = `Model ${plain(now.model)}`;
  byId("answers").replaceChildren();
  show("scene");
  byId("scene").focus();
}

function drawScene() {
  const moment = now.moment ?? { phase: "connecting", name: "", n_done: 0, n_asked: now.n_asked, remaining_s: 0 };
  const phase = now.lost ? "disconnected" : moment.phase;
  const asked = { phase, trial_type: moment.name, remaining_s: moment.remaining_s };
  const tries = now.answers?.length ?? 0;
  const said = cue.show(asked, moment.name && words(moment.name), tries, PHASES);
  const latest = now.answers?.at(-1);
  if (said) tell(phase === "rest" && latest ? `${own(latest)}. ${said}` : said);
  byId("state").textContent = now.lost || `${moment.n_done} of ${moment.n_asked} takes done`;
  byId("passed").value = moment.n_done / Math.max(1, moment.n_asked);
  list("answers", (now.answers ?? []).slice(-LATEST).toReversed());
  const cautions = (now.cautions ?? []).map((text) => make("li", { className: "alert" }, text));
  if (byId("cautions").children.length !== cautions.length) byId("cautions").replaceChildren(...cautions);
}

// What does not change stays under the reader.
function list(id, answers) {
  const key = answers.join("\n");
  if (byId(id).dataset.key === key) return;
  byId(id).dataset.key = key;
  const kind = (text) => (text.endsWith(" kept") ? "kept" : "refused");
  byId(id).replaceChildren(...answers.map((text) => make("li", { className: kind(text) }, plain(own(text)))));
}

// The end

const TITLES = {
  done: (kept) => (kept ? "The model has learned its owner" : "Nothing was learned"),
  stopped: () => "Stopped: nothing was learned",
  failed: () => "The enrolment ended with an error",
};

function openEnd() {
  clearErrors();
  show("end");
  const { state, error, n_kept: kept = 0, n_refused: refused = 0, answers = [] } = now;
  byId("end-title").textContent = TITLES[state](kept);
  byId("end-text").textContent = error ?? (state === "done" && !kept ? "Every take was refused." : "");
  byId("end-text").className = error ? "alert" : "";
  const rows = state === "done" ? [["Takes kept", kept], ["Takes refused", refused]] : [];
  byId("end-figures").replaceChildren(
    ...rows.flatMap(([name, value]) => [make("dt", {}, name), make("dd", {}, `${value}`)]),
  );
  list("end-answers", answers);
  for (const name of ["save", "erase", "end-use"]) byId(name).hidden = !kept;
  tell(byId("end-title").textContent);
  byId("end-title").focus();
}

async function save() {
  byId("end-error").textContent = "";
  try {
    const bytes = await ask("/api/enrolment/learned", { bytes: true });
    const href = URL.createObjectURL(new Blob([bytes]));
    make("a", { href, download: `${now.model}-owner.bin` }).click();
    setTimeout(() => URL.revokeObjectURL(href), 1000);
    tell("Saved: keep the file with its owner.");
  } catch (error) {
    byId("end-error").textContent = error.message;
  }
}

async function wish(what, where) {
  byId(where).textContent = "";
  try {
    await ask("/api/enrolment/wishes", { body: { wish: what } });
  } catch (error) {
    byId(where).textContent = error.message;
  }
}

async function again() {
  show("form-view");
  await open();
  byId("form-title").focus();
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

document.addEventListener("keydown", (event) => {
  if (byId("scene").hidden || !byId("keys-on").checked || event.repeat || commandKey(event) !== "q") return;
  event.preventDefault();
  byId("stop").click();
});
byId("form").addEventListener("submit", start);
byId("model").addEventListener("change", fillModel);
byId("stop").addEventListener("click", () => wish("stop", "scene-error"));
byId("erase").addEventListener("click", () => wish("erase", "end-error"));
byId("again").addEventListener("click", again);
byId("save").addEventListener("click", save);
await open();
listen(heard, lost, "/api/enrolment/live");
