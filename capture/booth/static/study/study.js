// The study page: how the study stands, who is next, and its sessions with search and filters.

import { Refused, ask, byId, make, plain } from "../common.js";

const AGAIN_MS = 5000;
const STATES = ["done", "doubtful", "running", "missing", "replaced", "not planned"];

let rows = [];
const drawn = { plan: "", list: "" }; // what is shown: unchanged, it is left alone under the reader

const recordAt = (participant, script, seed, station) =>
  `/?${new URLSearchParams({ participant, script, seed, station })}`;

function isNew(part, content) {
  const before = drawn[part];
  drawn[part] = JSON.stringify(content);
  return drawn[part] !== before;
}

function showPlan(study) {
  if (!isNew("plan", study)) return;
  byId("plan").hidden = study === null;
  byId("no-plan").hidden = study !== null;
  if (study === null) return;
  byId("title").textContent = study.name;
  const n = study.n_done + study.n_doubtful + study.n_running + study.n_missing;
  byId("share").value = n ? study.n_done / n : 1;
  const measured = study.changeover_measured ? "as measured" : "by the plan";
  byId("whole").textContent =
    `${study.n_done} of ${n} sessions done, ${study.n_doubtful} doubtful, ${study.n_running} being recorded, ` +
    `${study.n_missing} missing; about ${study.left} left, with ${Math.round(study.changeover_s)} s between ` +
    `recordings (${measured}).`;
  byId("stations").replaceChildren(...study.stations.map(station));
  byId("cautions").replaceChildren(
    ...study.cautions.map((text) => make("li", { className: "alert" }, text)),
  );
}

function station({ station, unit, n_left, next }) {
  const title = make("h3", {}, `Station ${station}, ${unit}`);
  if (!next) return make("li", {}, title, make("p", {}, "Nothing left to record."));
  const about = make("p", { className: "soft" }, `Sessions left: ${n_left}. Next: ${next.person}, ${plain(next.task)}.`);
  const href = recordAt(next.person, next.task, next.seed, station);
  return make("li", {}, title, about, make("a", { className: "press", href }, `Record ${next.person} now`));
}

function fill(id, values) {
  const known = [...byId(id).options].map((option) => option.value);
  for (const value of values) {
    if (value && !known.includes(value)) byId(id).append(make("option", { value }, plain(value)));
  }
}

const found = (row) => {
  const said = [row.participant, row.task, plain(row.task), row.session, row.operator, row.notes, ...row.why];
  const words = byId("search").value.toLowerCase().split(/\s+/).filter(Boolean);
  const text = said.filter(Boolean).join(" ").toLowerCase();
  return (
    words.every((word) => text.includes(word)) &&
    ["state", "task", "station"].every((name) => !byId(name).value || row[name] === byId(name).value)
  );
};

function look(row) {
  const parts = [];
  if (row.session && row.state !== "running") {
    parts.push(make("a", { href: `/review?session=${encodeURIComponent(row.session)}` }, row.session.match(/ses-\w+?(?=_)/)[0]));
  }
  if (row.station && (row.state === "missing" || row.state === "doubtful") && row.seed !== null) {
    const label = row.state === "missing" ? "Record" : "Record again";
    parts.push(make("a", { href: recordAt(row.participant, row.task, row.seed, row.station) }, label));
  }
  const text = [row.why.join("; "), row.notes].filter(Boolean).join("; ");
  return [...parts.flatMap((part) => [part, " "]), text];
}

function draw() {
  const chosen = rows.filter(found);
  byId("shown").textContent = `${chosen.length} of ${rows.length}`;
  if (!isNew("list", chosen)) return;
  byId("rows").replaceChildren(
    ...chosen.map((row) =>
      make(
        "tr",
        {},
        make("td", {}, row.participant),
        make("td", {}, plain(row.task)),
        make("td", { className: row.state === "doubtful" ? "doubtful" : "" }, row.state),
        make("td", {}, row.station ?? ""),
        make("td", {}, row.recorded?.replace("T", " ").slice(0, 16) ?? ""),
        make("td", { className: "number" }, `${row.n_good ?? ""}`),
        make("td", {}, ...look(row)),
      ),
    ),
  );
}

async function open() {
  try {
    const answer = await ask("/api/study");
    byId("error").textContent = "";
    byId("set").textContent = answer.data_set;
    rows = answer.rows;
    showPlan(answer.study);
    fill("state", STATES.filter((state) => rows.some((row) => row.state === state)));
    fill("task", new Set(rows.map((row) => row.task)));
    fill("station", new Set(rows.map((row) => row.station)));
    draw();
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    byId("error").textContent = error.message;
  }
}

byId("filters").addEventListener("input", draw);
byId("filters").addEventListener("submit", (event) => event.preventDefault());
await open();
setInterval(open, AGAIN_MS);
