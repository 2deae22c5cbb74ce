// Hints of ordinary minutes near the device: people, tables and things.

import { hand, palm, reaching, sitting, standing, walking } from "./bodies.js";
import { arrow, device, draw, group, lamp, line, onTable, rays, sheet, speech, table } from "./drawing.js";
import { to } from "./gestures.js";

const FLAT = [1, 1, 1, 1];
const blink = [{ opacity: 1 }, { opacity: 1 }, { opacity: 0.1 }, { opacity: 0.1 }, { opacity: 1 }];
const cup = () => line("M-10 -10H8V8Q8 12 4 12H-6Q-10 12 -10 8ZM8 -6Q17 -6 17 0Q17 6 8 5");
const keyboard = () =>
  group("", sheet(34, 62, 60, 28, 4), line("M42 71H43M52 71H53M62 71H63M72 71H73M82 71H83M46 81H78"));
const paper = () => group("", sheet(-12, -16, 24, 32, 1), line("M-6 -8H6M-6 0H6M-6 8H2"));
const tin = () => group("", sheet(-9, -14, 18, 28, 3), line("M-9 -6H9"));
const curtain = () => line("M0 0V60M6 0V56M12 0V60");

export const OCCASIONS = {
  everyday_empty: () => [[group("translate(22 66)", device()), lamp(74, 34)], rays(74, 34), blink, 2.4],
  everyday_rest: () => [[table(58, 96, 58), onTable(66, 58)], sitting("M-4 -18L12 -8"), [to(34, 66)], 0],
  everyday_type: () => [
    [group("translate(15 72)", device()), keyboard(), group("translate(50 44) rotate(180)", palm(4))],
    group("rotate(180)", palm(4)),
    [to(80, 44), to(80, 40), to(80, 44)],
    0.5,
  ],
  everyday_reach: () => [
    [group("translate(20 34)", device()), group("translate(70 20)", cup())],
    reaching(),
    [to(68, 58), to(68, 96), to(68, 58)],
    2.0,
  ],
  everyday_talk: () => [
    [speech(58, 10), group("translate(36 90)", standing("M0 -48L-13 -34L-6 -22"))],
    line("M0 0L13 -4L20 -16", { class: "hint-limbs" }),
    [to(36, 42, " rotate(20deg)"), to(36, 42, " rotate(-30deg)"), to(36, 42, " rotate(20deg)")],
    1.0,
  ],
  everyday_fidget: () => [
    [group("translate(32 62) rotate(24) scale(1.25)", hand(FLAT, "along"))],
    group("scale(-1.25 1.25) rotate(24)", hand(FLAT, "along")),
    [to(66, 54), to(60, 66), to(66, 54)],
    0.8,
  ],
  everyday_objects: () => [
    [group("translate(50 54)", device()), group("translate(18 30)", tin()), arrow(60, 94, 84, 94)],
    paper(),
    [to(66, 70), to(84, 70)],
    1.6,
  ],
  everyday_visitor: () => [
    [speech(34, 6), group("translate(22 94)", standing("M0 -48L-9 -26M0 -48L10 -34L18 -38"))],
    walking("M0 -48L-10 -34L-18 -38M0 -48L8 -28"),
    [to(96, 94, " scale(-1, 1)"), to(74, 94, " scale(-1, 1)")],
    2.0,
  ],
  everyday_light: () => [
    [lamp(26, 34), rays(26, 34), draw("rect", { x: 52, y: 16, width: 40, height: 60, class: "hint-line" })],
    curtain(),
    [to(58, 16), to(74, 16), to(58, 16)],
    2.4,
  ],
  everyday_pick_up: () => [
    [table(8, 92, 78), arrow(90, 64, 90, 16)],
    group("", onTable(-10, 0), line("M30 4H8", { class: "hint-flank" })),
    [to(42, 34), to(42, 74), to(42, 34)],
    2.4,
  ],
  everyday_walk: () => [
    [arrow(18, 96, 84, 96)],
    group("", walking("M0 -48L6 -34L16 -36M0 -48L-9 -30"), sheet(14, -45, 9, 14, 2)),
    [to(34, 88), to(58, 88)],
    2.0,
  ],
  everyday_pocket: () => [
    [arrow(18, 96, 84, 96)],
    group("", walking("M0 -48L-9 -32M0 -48L10 -34"), sheet(0, -32, 10, 14, 2)),
    [to(34, 88), to(58, 88)],
    2.0,
  ],
};
