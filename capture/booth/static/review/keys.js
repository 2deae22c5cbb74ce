// The keys of the review page: what is shown, what it does, how it is pressed, the act's name.

import { byId, make } from "../common.js";

const KEYS = [
  ["Space", "play at true speed, or stop", " ", "playOrStop"],
  ["Enter", "play the chosen take", "Enter", "playTake"],
  ["←", "one frame pair back", "ArrowLeft", "back"],
  ["→", "one frame pair on", "ArrowRight", "on"],
  ["Shift ←", "one second back", "Shift ArrowLeft", "secondBack"],
  ["Shift →", "one second on", "Shift ArrowRight", "secondOn"],
  ["Home", "first frame pair", "Home", "first"],
  ["End", "last frame pair", "End", "last"],
  ["N", "next take", "n", "next"],
  ["P", "take before", "p", "before"],
  ["[", "take starts at the cursor", "[", "startHere"],
  ["]", "take ends at the cursor", "]", "endHere"],
  ["A", "start one frame pair earlier", "a", "startEarlier"],
  ["S", "start one frame pair later", "s", "startLater"],
  ["D", "end one frame pair earlier", "d", "endEarlier"],
  ["F", "end one frame pair later", "f", "endLater"],
  ["1 to 9", "name the take by the list of labels", "", ""],
  ["L", "list of labels", "l", "askLabel"],
  ["X", "reject with a reason", "x", "askReason"],
  ["G", "good again", "g", "good"],
  ["T", "a new take starts at the cursor; again: it ends there", "t", "newTake"],
  ["Z", "undo", "z", "undo"],
  ["Y", "redo", "y", "redo"],
  ["+", "look closer", "+", "closer"],
  ["-", "look from further", "-", "further"],
  ["0", "whole session", "0", "whole"],
  ["E", "end the blind review", "e", "finish"],
  ["?", "open or close this list", "?", "keys"],
  ["Esc", "leave a question, a drag or a new take", "Escape", "leave"],
];

// Name of what a key does, or undefined.
export function actOf(key, shifted) {
  const pressed = shifted && key?.startsWith("Arrow") ? `Shift ${key}` : key;
  return KEYS.find((entry) => entry[3] && entry[2] === pressed)?.[3];
}

export function showKeys() {
  const lines = KEYS.map(([shown, does]) => make("li", {}, make("kbd", {}, shown), ` ${does}`));
  byId("keys").replaceChildren(...lines);
}
