// The cue as a participant reads it: a hint, words that are never broken, a countdown.

import { byId, make } from "../common.js";
import { hint } from "./hints.js";

const PHASES = {
  rest: "Next",
  cue: "Now",
  paused: "Paused; next",
  done: "Done",
  disconnected: "\u26A0 Plug it in again; Stop gives up",
};
const TO_BE_READ_VH = 12; // letters for two metres; less only where the longest word needs it
const LAYOUTS = ["beside", "above", "bare"]; // where the hint is; `bare` is without it

// The largest whole size in pixels at which `fits()` holds, from `low` to `high`; `low` at least.
function largest(low, high, set, fits) {
  let [good, bad] = [low, high + 1];
  while (bad - good > 1) {
    const middle = (good + bad) >> 1;
    set(middle);
    if (fits()) good = middle;
    else bad = middle;
  }
  set(good);
  return good;
}

export class Cue {
  // `most` is the largest letters, in hundredths of the window's height.
  constructor(most) {
    this.most = most;
    this.moving = true;
    this.key = "";
    this.root = byId("cue");
    addEventListener("resize", () => this.fit());
  }

  // Show a moment; `phases` overrides what is written above the words. Returns what a voice would say.
  show(moment, words, count, phases = {}) {
    const { phase, trial_type: label, remaining_s: left } = moment;
    const counts = (phase === "rest" || phase === "cue") && words;
    byId("left").textContent = counts ? Math.ceil(left) : "";
    const key = `${phase} ${label} ${words} ${count} ${this.moving}`;
    if (this.key === key) return null;
    this.key = key;
    this.root.dataset.phase = phase;
    const said = { ...PHASES, ...phases }[phase] ?? "";
    const empty = { connecting: "Asking the sensor", disconnected: "The sensor is gone", done: "Done" }[phase] ?? "Rest";
    const shown = phase === "disconnected" ? empty : words || empty;
    byId("when").textContent = words || phase === "disconnected" ? said : "";
    this.write(shown);
    byId("sign").replaceChildren(...[words && hint(label, this.moving && phase !== "paused")].filter(Boolean));
    this.fit();
    return [byId("when").textContent, shown].filter(Boolean).join(": ");
  }

  // Each word stays whole: only the spaces between them may break.
  write(text) {
    const parts = text.split(/\s+/).flatMap((word) => [make("span", { className: "word" }, word), " "]);
    byId("what").replaceChildren(...parts.slice(0, -1));
  }

  // The largest letters that fit; the hint stands beside or above them, or makes room.
  fit() {
    const { root } = this;
    if (!root.clientHeight) return;
    const what = byId("what");
    const set = (size) => {
      what.style.fontSize = `${size}px`;
    };
    const words = what.parentElement;
    const fits = () =>
      what.scrollWidth <= what.clientWidth &&
      words.scrollHeight <= words.clientHeight &&
      root.scrollHeight <= root.clientHeight &&
      root.scrollWidth <= root.clientWidth;
    const high = Math.round((this.most * innerHeight) / 100);
    const found = LAYOUTS.map((layout) => {
      root.dataset.layout = layout;
      return largest(12, high, set, fits);
    });
    const enough = Math.min((TO_BE_READ_VH * innerHeight) / 100, 0.8 * found[2]);
    const best = found[0] >= enough || found[1] >= enough ? (found[0] >= found[1] ? 0 : 1) : 2;
    const chosen = byId("sign").firstChild ? best : 2;
    root.dataset.layout = LAYOUTS[chosen];
    set(found[chosen]);
  }
}
