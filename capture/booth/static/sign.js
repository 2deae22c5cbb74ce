// A simple drawn sign beside a cue's words; labels without one have none.

const HEAD = 24;

function head(x, y, angle) {
  const wing = (turn) => `${x - HEAD * Math.cos(angle + turn)} ${y - HEAD * Math.sin(angle + turn)}`;
  return `M${wing(0.65)}L${x} ${y}L${wing(-0.65)}`;
}

function arrow(x1, y1, x2, y2) {
  return `M${x1} ${y1}L${x2} ${y2}${head(x2, y2, Math.atan2(y2 - y1, x2 - x1))}`;
}

const PLATE = "M18 88H82"; // the sensor, seen from its side
// Most of a ring from its top, and the way its end points.
const RING = `M54 20A30 30 0 1 1 26 40${head(26, 40, -1.4)}`;
const RING_BACK = `M46 20A30 30 0 1 0 74 40${head(74, 40, Math.PI + 1.4)}`;

const SIGNS = {
  swipe_left: arrow(88, 50, 12, 50),
  swipe_right: arrow(12, 50, 88, 50),
  swipe_up: arrow(50, 88, 50, 12),
  swipe_down: arrow(50, 12, 50, 88),
  push: arrow(50, 12, 50, 72) + PLATE,
  pull: arrow(50, 74, 50, 12) + PLATE,
  circle_clockwise: RING,
  circle_counterclockwise: RING_BACK,
  idle: "M50 50h0.01M24 82H76",
};
for (let n = 0; n <= 5; n++) {
  const fingers = Array.from({ length: n }, (_, i) => `M${50 + 15 * (i - (n - 1) / 2)} 62V20`);
  SIGNS[`fingers_${n}`] = `${fingers.join("")}M20 80H80`;
}

// Return an SVG element, or null.
export function sign(label) {
  const path = SIGNS[label];
  if (!path) return null;
  const space = "http://www.w3.org/2000/svg";
  const picture = document.createElementNS(space, "svg");
  picture.setAttribute("viewBox", "0 0 100 100");
  picture.setAttribute("aria-hidden", "true"); // the words beside it say the same
  const line = document.createElementNS(space, "path");
  const look = { d: path, fill: "none", stroke: "currentColor", "stroke-width": "9" };
  look["stroke-linecap"] = look["stroke-linejoin"] = "round";
  for (const [name, value] of Object.entries(look)) line.setAttribute(name, value);
  picture.append(line);
  return picture;
}
