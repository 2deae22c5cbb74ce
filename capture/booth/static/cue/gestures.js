// Hints of gestures and of shapes that are held: a hand over the sensor and the way it goes.

import { flank, hand, palm, reaching } from "./bodies.js";
import { arrow, both, device, group, line, pad, plate, trail } from "./drawing.js";

export const to = (x, y, more = "") => ({ transform: `translate(${x}px, ${y}px)${more}` });
const way = (...places) => places.map(([x, y]) => to(x, y));
const still = [to(50, 50)];
const held = (shape) => [[], shape, [to(54, 56, " scale(1.8)")], 0];
const BENT = [null, null, null, null];

const round = (turn) =>
  way(
    ...Array.from({ length: 25 }, (_, i) => {
      const angle = -Math.PI / 2 + (turn * 2 * Math.PI * i) / 24;
      return [50 + 20 * Math.cos(angle), 50 + 20 * Math.sin(angle)];
    }),
  );
const ring = (turn) => {
  const [flag, end] = turn > 0 ? [1, 28] : [0, 72];
  return trail(`M50 6A44 44 0 1 ${flag} ${end} 12`, end, 12, turn > 0 ? -0.55 : Math.PI + 0.55);
};

// For each label: what lies there, what moves, its places, seconds a round.
export const GESTURES = {
  swipe_left: () => [[pad(), arrow(86, 88, 14, 88)], palm(), way([78, 48], [22, 48]), 1.2],
  swipe_right: () => [[pad(), arrow(14, 88, 86, 88)], palm(), way([22, 48], [78, 48]), 1.2],
  swipe_up: () => [[pad(), arrow(90, 86, 90, 14)], palm(), way([46, 76], [46, 26]), 1.2],
  swipe_down: () => [[pad(), arrow(90, 14, 90, 86)], palm(), way([46, 26], [46, 76]), 1.2],
  push: () => [[plate(), arrow(88, 14, 88, 74)], flank(), way([48, 18], [48, 70]), 1.2],
  pull: () => [[plate(), arrow(88, 74, 88, 14)], flank(), way([48, 70], [48, 18]), 1.2],
  circle_clockwise: () => [[pad(), ring(1)], palm(), round(1), 1.6],
  circle_counterclockwise: () => [[pad(), ring(-1)], palm(), round(-1), 1.6],
  idle: () => [[plate()], flank(), [to(48, 44)], 0],
  arrive: () => [[pad(), arrow(50, 96, 50, 74)], palm(), way([50, 118], [50, 48]), 1.6],
  away: () => [[pad()], null, still, 0],
  subtle_still: () => [[plate()], flank(), [to(48, 40)], 0],
  // The hand stands and one finger of it moves.
  subtle_tap: () => [
    [plate(), both(12, 28, 12, 62), line("M48 44H78", { class: "hint-flank" })],
    line("M0 0L-26 0", { class: "hint-fingers" }),
    [to(48, 44, " rotate(14deg)"), to(48, 44, " rotate(-10deg)"), to(48, 44, " rotate(14deg)")],
    0.9,
  ],
  subtle_slide: () => [
    [pad(), group("translate(58 54) scale(1.3)", hand([1, 1, 1, 1], "none")), both(12, 34, 12, 66)],
    line("M0 0L-17 -6", { class: "hint-fingers hint-wide" }),
    [to(44, 66, " rotate(-22deg)"), to(44, 66, " rotate(38deg)"), to(44, 66, " rotate(-22deg)")],
    0.9,
  ],
  distract_wave: () => [[], palm(), [-25, 25, -25].map((turn) => to(50, 55, ` rotate(${turn}deg)`)), 1.0],
  distract_scratch: () => [
    [group("translate(54 66) rotate(-90) scale(1.35)", hand([1, 1, 1, 1], "along"))],
    group("rotate(180)", hand(["M-9.6 -2L-8 -16", "M-3.2 -2L-3 -18", "M3.2 -2L3 -17", null], "in")),
    way([40, 32], [62, 32], [40, 32]),
    0.6,
  ],
  distract_pass: () => [[pad(16, 44), arrow(92, 90, 92, 12)], reaching(), way([62, 84], [62, 34]), 1.4],
  distract_adjust: () => [
    [trail("M22 30Q32 12 54 12", 54, 12, 0.1)],
    group("", group("scale(1.5)", device()), group("translate(26 22) rotate(-50)", palm())),
    [to(44, 54, " rotate(-24deg)"), to(44, 54, " rotate(0deg)")],
    1.4,
  ],
  shape_fist: () => held(hand(BENT, "in")),
  shape_flat: () => held(hand([1, 1, 1, 1], "along")),
  shape_pinch: () => held(hand(["M-9.6 -2Q-12 -18 -21 -18", null, null, null], "pinch")),
  shape_point: () => held(palm(1)),
  shape_thumb: () => held(hand(BENT, "out")),
};
for (let n = 0; n <= 5; n++) GESTURES[`fingers_${n}`] = () => held(palm(n));
