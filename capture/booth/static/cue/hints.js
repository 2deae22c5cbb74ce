// Drawn hints beside a cue's words. Labels of scripts that are not built in have words alone. Where
// the reader wants less motion, the way is an arrow and what moves stands at its end.

import { draw } from "./drawing.js";
import { GESTURES } from "./gestures.js";
import { OCCASIONS } from "./occasions.js";

const HINTS = { ...GESTURES, ...OCCASIONS };
const calm = matchMedia("(prefers-reduced-motion: reduce)");

export const hasHint = (label) => Object.hasOwn(HINTS, label);

// Where it begins is drawn too, faintly, when it stands: only of one way, not of to and fro or round.
const oneWay = (places) => places.length === 2;

// Return an SVG element, or null; it moves unless `moving` is false or less motion is wanted.
export function hint(label, moving = true) {
  if (!hasHint(label)) return null;
  const [about, part, places, seconds] = HINTS[label]();
  const picture = draw("svg", { viewBox: "0 0 100 100", "aria-hidden": "true", class: "hint" }, ...about);
  if (!part) return picture; // the words beside it say the same
  const held = draw("g", { class: "hint-hand" }, part);
  if (seconds && moving && !calm.matches) {
    // There, a rest at the end, and again.
    const frames = [...places.map((place, i) => ({ ...place, offset: (0.75 * i) / (places.length - 1) })), places.at(-1)];
    held.animate(frames, { duration: 1000 * seconds, iterations: Infinity, easing: "linear" });
  } else if (oneWay(places)) {
    const ghost = draw("g", { class: "hint-hand hint-ghost" }, part.cloneNode(true));
    ghost.style.transform = places[0].transform;
    picture.append(ghost);
  }
  held.style.transform = places.at(-1).transform ?? "";
  picture.append(held);
  return picture;
}
