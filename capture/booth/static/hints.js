// Drawn hints beside a cue's words: a hand over the sensor and the way it goes. Labels without one
// have words alone. Where the reader wants less motion, the way is an arrow and the hand stands.

const SPACE = "http://www.w3.org/2000/svg";
const calm = matchMedia("(prefers-reduced-motion: reduce)");

function draw(tag, look, ...children) {
  const element = document.createElementNS(SPACE, tag);
  for (const [name, value] of Object.entries(look)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

const line = (d, more = {}) => draw("path", { d, class: "hint-line", ...more });

function head(x, y, angle) {
  const wing = (turn) => `${x - 9 * Math.cos(angle + turn)} ${y - 9 * Math.sin(angle + turn)}`;
  return `M${wing(0.6)}L${x} ${y}L${wing(-0.6)}`;
}

// A dotted way with a whole head at its end.
function trail(way, x, y, angle) {
  return draw("g", {}, line(way, { class: "hint-way" }), line(head(x, y, angle)));
}

function arrow(x1, y1, x2, y2) {
  return trail(`M${x1} ${y1}L${x2} ${y2}`, x2, y2, Math.atan2(y2 - y1, x2 - x1));
}

// The sensor from above, and from its side.
const pad = () => draw("rect", { x: 42, y: 42, width: 16, height: 16, rx: 4, class: "hint-sensor" });
const plate = () => line("M22 90H78M44 84H56", { class: "hint-sensor" });

// A right hand from above about 0, 0: the fingers that stand, from the index on; the others are bent.
function palm(n = 5) {
  const fingers = Array.from({ length: 4 }, (_, i) => {
    const up = i < (n === 5 ? 4 : n);
    const [x, tip] = [-9.6 + 6.4 * i, up ? -25 + 2.5 * Math.abs(i - 1.2) : -9];
    return `M${x} -2L${x * (up ? 1.2 : 1)} ${tip}`;
  });
  const thumb = n === 5 ? "M-11 9L-23 -3" : "M-11 9L-3 5";
  const [stretched, flat] = [`${fingers.join("")}${thumb}`, "M-12 -4H12V10Q12 20 0 20Q-12 20 -12 10Z"];
  return draw(
    "g",
    {},
    draw("path", { d: stretched + flat, class: "hint-halo" }),
    draw("path", { d: stretched, class: "hint-fingers" }),
    draw("path", { d: flat, class: "hint-palm" }),
  );
}

// A hand from its side, palm down, fingers to the left.
const flank = () => draw("path", { d: "M-25 0H18", class: "hint-flank" });

const still = [{ transform: "translate(50px, 50px)" }];
const way = (...places) => places.map(([x, y]) => ({ transform: `translate(${x}px, ${y}px)` }));
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

// For each label: what lies there, the hand, its places, seconds a round.
const HINTS = {
  swipe_left: () => [[pad(), arrow(86, 88, 14, 88)], palm(), way([78, 48], [22, 48]), 1.2],
  swipe_right: () => [[pad(), arrow(14, 88, 86, 88)], palm(), way([22, 48], [78, 48]), 1.2],
  swipe_up: () => [[pad(), arrow(90, 86, 90, 14)], palm(), way([46, 76], [46, 26]), 1.2],
  swipe_down: () => [[pad(), arrow(90, 14, 90, 86)], palm(), way([46, 26], [46, 76]), 1.2],
  push: () => [[plate(), arrow(88, 14, 88, 74)], flank(), way([48, 18], [48, 70]), 1.2],
  pull: () => [[plate(), arrow(88, 74, 88, 14)], flank(), way([48, 70], [48, 18]), 1.2],
  circle_clockwise: () => [[pad(), ring(1)], palm(), round(1), 1.6],
  circle_counterclockwise: () => [[pad(), ring(-1)], palm(), round(-1), 1.6],
  idle: () => [[plate()], flank(), way([48, 44]), 0],
  arrive: () => [[pad(), arrow(50, 96, 50, 74)], palm(), way([50, 118], [50, 48]), 1.6],
  away: () => [[pad()], null, still, 0],
  subtle_still: () => [[plate()], flank(), way([48, 40]), 0],
  distract_wave: () => [
    [],
    palm(),
    [-25, 25, -25].map((turn) => ({ transform: `translate(50px, 55px) rotate(${turn}deg)` })),
    1.0,
  ],
};
for (let n = 0; n <= 5; n++) HINTS[`fingers_${n}`] = () => [[], palm(n), still, 0];

export const hasHint = (label) => Object.hasOwn(HINTS, label);

// Return an SVG element, or null; it moves unless `moving` is false or less motion is wanted.
export function hint(label, moving = true) {
  if (!hasHint(label)) return null;
  const [about, hand, places, seconds] = HINTS[label]();
  const picture = draw("svg", { viewBox: "0 0 100 100", "aria-hidden": "true", class: "hint" }, ...about);
  if (!hand) return picture; // the words beside it say the same
  const held = draw("g", { class: "hint-hand" }, hand);
  if (seconds && moving && !calm.matches) {
    // There, a rest at the end, and again.
    const frames = [...places.map((place, i) => ({ ...place, offset: (0.75 * i) / (places.length - 1) })), places.at(-1)];
    held.animate(frames, { duration: 1000 * seconds, iterations: Infinity, easing: "linear" });
  } else if (places.length > 1 && places.length < 20 && label !== "distract_wave") {
    const ghost = draw("g", { class: "hint-hand hint-ghost" }, hand.cloneNode(true));
    ghost.style.transform = places[0].transform;
    picture.append(ghost);
  }
  held.style.transform = places.at(-1).transform;
  picture.append(held);
  return picture;
}
