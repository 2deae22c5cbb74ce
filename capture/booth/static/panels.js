// Two panels of the review page: a question with a list of answers, and the agreement of labellers.

import { byId, make, plain } from "./common.js";

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
      const button = make("button", { type: "button" }, make("kbd", {}, SIGNS[i] ?? ""), plain(answer));
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
