// Strokes that hints are drawn of, in a square of 100 by 100.

const SPACE = "http://www.w3.org/2000/svg";

export function draw(tag, look, ...children) {
  const element = document.createElementNS(SPACE, tag);
  for (const [name, value] of Object.entries(look)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

export const line = (d, more = {}) => draw("path", { d, class: "hint-line", ...more });

export const group = (transform, ...parts) => draw("g", transform ? { transform } : {}, ...parts);

export const dot = (cx, cy, r) => draw("circle", { cx, cy, r, class: "hint-solid" });

// A closed shape with the ground's colour in it: what lies behind does not show through.
export const sheet = (x, y, width, height, rx = 3) =>
  draw("rect", { x, y, width, height, rx, class: "hint-line hint-sheet" });

function head(x, y, angle) {
  const wing = (turn) => `${x - 9 * Math.cos(angle + turn)} ${y - 9 * Math.sin(angle + turn)}`;
  return `M${wing(0.6)}L${x} ${y}L${wing(-0.6)}`;
}

// A dotted way with a whole head at its end.
export function trail(way, x, y, angle) {
  return group("", line(way, { class: "hint-way" }), line(head(x, y, angle)));
}

export function arrow(x1, y1, x2, y2) {
  return trail(`M${x1} ${y1}L${x2} ${y2}`, x2, y2, Math.atan2(y2 - y1, x2 - x1));
}

// A short way there and back.
export function both(x1, y1, x2, y2) {
  const angle = Math.atan2(y2 - y1, x2 - x1);
  return line(`M${x1} ${y1}L${x2} ${y2}${head(x2, y2, angle)}${head(x1, y1, angle + Math.PI)}`);
}

// The sensor from above, and from its side.
export const pad = (x = 42, y = 42) => draw("rect", { x, y, width: 16, height: 16, rx: 4, class: "hint-sensor" });
export const plate = () => line("M22 90H78M44 84H56", { class: "hint-sensor" });

// The device that holds it, from above about 0, 0.
export const device = () => group("", sheet(-13, -18, 26, 36, 5), draw("rect", { x: -5, y: -5, width: 10, height: 10, rx: 3, class: "hint-line" }));

// A table from its side, and the device on it.
export const table = (x1, x2, y) => line(`M${x1} ${y}H${x2}M${x2 - 6} ${y}V92`);
export const onTable = (x, y) => sheet(x, y - 6, 20, 6, 2);

// A lamp that shines, without and with its rays.
export const lamp = (x, y) => line(`M${x - 12} ${y}L${x - 6} ${y - 16}H${x + 6}L${x + 12} ${y}ZM${x} ${y}V92M${x - 9} 92H${x + 9}`);
export const rays = (x, y) => line(`M${x} ${y + 9}V${y + 17}M${x - 11} ${y + 8}L${x - 16} ${y + 15}M${x + 11} ${y + 8}L${x + 16} ${y + 15}`);

// What somebody says.
export const speech = (x, y) =>
  group("", line(`M${x} ${y}H${x + 28}V${y + 18}H${x + 12}L${x + 5} ${y + 25}V${y + 18}H${x}Z`), ...[7, 14, 21].map((at) => dot(x + at, y + 9, 2)));
