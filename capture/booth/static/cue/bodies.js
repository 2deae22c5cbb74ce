// Hands and people, drawn about 0, 0.

import { draw, group, line } from "./drawing.js";

const THUMBS = { out: "M-11 9L-23 -3", in: "M-11 9L-3 5", along: "M-11 9L-16 -5", pinch: "M-11 9Q-26 2 -21 -18", none: "" };

// A right hand from above. `fingers` says of each, from the index on, how far it leans outwards
// (1 is straight), or null where it is bent; a text is drawn as it stands.
export function hand(fingers, thumb) {
  const stretched = fingers.map((lean, i) => {
    if (typeof lean === "string") return lean;
    const x = -9.6 + 6.4 * i;
    return lean === null ? `M${x} -2L${x} -9` : `M${x} -2L${x * lean} ${-25 + 2.5 * Math.abs(i - 1.2)}`;
  });
  const limbs = `${stretched.join("")}${THUMBS[thumb]}`;
  const flat = "M-12 -4H12V10Q12 20 0 20Q-12 20 -12 10Z";
  return group(
    "",
    draw("path", { d: limbs + flat, class: "hint-halo" }),
    draw("path", { d: limbs, class: "hint-fingers" }),
    draw("path", { d: flat, class: "hint-palm" }),
  );
}

// The first `n` fingers stretched, all five with the thumb.
export const palm = (n = 5) => hand([0, 1, 2, 3].map((i) => (i < n ? 1.2 : null)), n === 5 ? "out" : "in");

// An arm behind a hand that reaches from below.
export const reaching = (n = 5) => group("", palm(n), line("M0 17V60", { class: "hint-arm" }));

// A hand from its side, palm down, fingers to the left.
export const flank = () => draw("path", { d: "M-25 0H18", class: "hint-flank" });

const skull = (x, y) => draw("circle", { cx: x, cy: y, r: 8, class: "hint-solid" });
const limbs = (...ways) => line(ways.join(""), { class: "hint-limbs" });

// Somebody who stands: the feet at 0, 0; `arms` is the way of both from the shoulders at 0, -48.
export const standing = (arms) => group("", skull(0, -62), limbs("M0 -48V-26L-8 0M0 -26L8 0", arms));

// Somebody who walks to the right.
export const walking = (arms) => group("", skull(2, -62), limbs("M0 -48V-26L14 -2M0 -26L-6 -14L-16 -4", arms));

// Somebody who sits on a chair, turned to the right, the seat at 0, 0.
export const sitting = (arms) => group("", skull(-4, -40), limbs("M-4 -26V-2H18V26", arms), line("M-16 -24V26M-16 6H8"));
