// Panels of the review page: sessions, takes, a question with its answers, agreement of labellers.

import { byId, make, plain } from "../common.js";

const SIGNS = "123456789abcdefghijklmnopqrstuvw"; // keys of a list, in its order

let answered = () => {}; // what the open question does with its answer

// Ask; `own` lets the reader write an answer too.
export function question(title, answers, take, own = false) {
  answered = (answer) => {
    byId("ask").close();
    take(answer);
  };
  byId("ask-title").textContent = title;
  byId("ask-options").replaceChildren(
    ...answers.map((answer, i) => {
      const button = make("button", { type: "button" }, make("kbd", {}, (SIGNS[i] ?? "").toUpperCase()), plain(answer));
      button.addEventListener("click", () => answered(answer));
      return button;
    }),
  );
  byId("ask-own").hidden = !own;
  byId("ask-text").value = "";
  byId("ask").showModal();
}

byId("ask").addEventListener("keydown", (event) => {
  if (event.target.closest("input") || event.ctrlKey || event.altKey || event.metaKey) return;
  const button = byId("ask-options").children[SIGNS.indexOf(event.key.toLowerCase())];
  if (event.key.length !== 1 || !button) return;
  event.preventDefault();
  button.click();
});
byId("ask-own").addEventListener("submit", (event) => {
  event.preventDefault();
  const reason = byId("ask-text").value.trim().replaceAll('"', "'");
  if (reason) answered(reason);
});
byId("ask-close").addEventListener("click", () => byId("ask").close());

function row(kind, ...cells) {
  return make("tr", {}, ...cells.map((cell) => make(kind, {}, cell)));
}

export function showSessions(sessions, current, open) {
  byId("no-sessions").hidden = sessions.length > 0;
  const items = sessions.map((entry) => {
    const name = `${entry.participant}, session ${entry.session}, ${plain(entry.task)}`;
    const by = entry.labellers?.length ? `, edited by ${entry.labellers.join(", ")}` : "";
    const count = `${entry.n_takes} takes, ${entry.n_rejected} rejected${by}`;
    const note = entry.note ?? (entry.n_takes === undefined ? "" : count);
    const button = make("button", { type: "button" }, name, make("small", {}, note));
    button.dataset.id = entry.id;
    button.setAttribute("aria-current", `${entry.id === current}`);
    button.addEventListener("click", () => open(entry.id));
    return make("li", {}, button);
  });
  const focused = document.activeElement.dataset.id; // the focus stays where it was
  byId("sessions").replaceChildren(...items);
  const kept = items.find(({ firstChild }) => firstChild.dataset.id === focused);
  if (focused && kept) kept.firstChild.focus();
}

export function stateOf(take) {
  if (take.status === "rejected") return `rejected: ${take.reason}`;
  return take.trial_type === "unlabelled" ? "not yet named" : "good";
}

const when = (time) => time.replace("T", " ").replace("+00:00", " UTC");

export function showTakes(takes, choose) {
  const rows = takes.map((take, i) => {
    const button = make("button", { type: "button" }, `${i + 1}`);
    button.addEventListener("click", () => choose(i));
    const by = take.edited ? `${take.labeller}, ${when(take.edited)}` : take.labeller;
    const end = (take.onset_s + take.duration_s).toFixed(3);
    const cells = row("td", button, plain(take.trial_type), take.onset_s.toFixed(3), end, stateOf(take), by);
    cells.children[1].className = take.status === "rejected" ? "rejected" : "";
    cells.children[2].className = cells.children[3].className = "number";
    return cells;
  });
  byId("takes").replaceChildren(...rows);
}

// How second labels agree with the first; `jump` goes to the take of a cue's onset.
export function showAgreements(agreements, jump) {
  const parts = agreements.flatMap((found) => {
    const sum =
      `Second labels by ${found.labeller}: Cohen's kappa ${found.kappa.toFixed(2)} over ` +
      `${found.n_takes} takes, ${found.n_alike} named alike. 1 is full agreement, 0 what chance gives.`;
    if (!found.differences.length) return [make("p", {}, sum)];
    const rows = found.differences.map(([time, first, second]) => {
      const button = make("button", { type: "button" }, `${time.toFixed(2)} s`);
      button.addEventListener("click", () => jump(time));
      return row("td", button, plain(first), plain(second));
    });
    const head = make("thead", {}, row("th", "Cue at", "First labels", `Labels by ${found.labeller}`));
    const list = make("table", { className: "takes" }, head, make("tbody", {}, ...rows));
    return [make("p", {}, sum), list];
  });
  byId("agreements").hidden = parts.length === 0;
  byId("agreements").replaceChildren(make("h2", {}, "Agreement"), ...parts);
}

// What is doubted of a session, the most doubtful first; `numberOf` a cue's time is its take's
// place or -1, `jump` goes there.
export function showDoubts({ whole, takes }, numberOf, jump) {
  const all = whole.map((text) => make("li", {}, make("p", {}, `The whole session: ${text}.`)));
  const each = takes.flatMap(({ cue_onset_s: time, text }) => {
    const number = numberOf(time);
    if (number < 0) return [];
    const button = make("button", { type: "button" }, `Take ${number + 1}`, make("small", {}, text));
    button.addEventListener("click", () => jump(time));
    return [make("li", {}, button)];
  });
  byId("doubts").hidden = all.length + each.length === 0;
  byId("doubtful").replaceChildren(...all, ...each);
}
