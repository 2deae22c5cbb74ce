// What all pages share: asking the booth, telling the reader, drawing readouts.

// The token comes behind the # of the address, which browsers never send, and stays in this tab.
const given = new URLSearchParams(location.hash.slice(1)).get("token");
if (given) {
  sessionStorage.setItem("token", given);
  history.replaceState(null, "", location.pathname + location.search);
}
export const token = sessionStorage.getItem("token");

export const byId = (id) => document.getElementById(id);

export function make(tag, properties = {}, ...children) {
  const element = Object.assign(document.createElement(tag), properties);
  element.append(...children);
  return element;
}

export class Refused extends Error {
  constructor(status, text) {
    super(text);
    this.status = status;
  }
}

export async function ask(path, { body, bytes = false } = {}) {
  const headers = token ? { Authorization: `Bearer ${token}` } : {};
  const request = { headers, cache: "no-store" };
  if (body !== undefined) {
    request.method = "POST";
    request.body = JSON.stringify(body);
    headers["Content-Type"] = "application/json";
  }
  let reply;
  try {
    reply = await fetch(path, request);
  } catch {
    throw new Refused(0, "The booth does not answer; is its command still running?");
  }
  if (!reply.ok) {
    const told = await reply.json().catch(() => ({}));
    throw new Refused(reply.status, told.error ?? `The booth answers ${reply.status}.`);
  }
  return bytes ? reply.arrayBuffer() : reply.json();
}

// The booth lets go the window heard from longest ago when too many are open: a window that nobody
// sees waits until somebody does, and leaves the place to others.
function whenSeen(act) {
  if (document.visibilityState === "visible") act();
  else document.addEventListener("visibilitychange", () => whenSeen(act), { once: true });
}

export function listen(heard, lost, path = "/live") {
  const offers = ["palmwatt-booth", ...(token ? [`token.${token}`] : [])];
  const socket = new WebSocket(`ws://${location.host}${path}`, offers);
  socket.binaryType = "arraybuffer";
  socket.onmessage = ({ data }) => heard(data);
  socket.onclose = () => {
    lost();
    setTimeout(() => whenSeen(() => listen(heard, lost, path)), 1000);
  };
}

export const plain = (label) => label.replaceAll("_", " ");

// A key is a command only where it does not already mean something to what has the focus.
export function commandKey(event) {
  if (event.defaultPrevented || event.ctrlKey || event.altKey || event.metaKey) return null;
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  const at = event.target;
  if (at.closest("dialog[open], input:not([type=checkbox], [type=radio]), select")) return null;
  if (key.startsWith("Arrow") && at.closest("[type=radio]")) return null;
  if ((key === " " || key === "Enter") && at.closest("button, a, input, summary")) return null;
  return key;
}

// Colours of the style sheet, for canvases; asked anew when the reader changes dark and light.
let palette = null;
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
  palette = null;
});
export function colours() {
  if (palette === null) {
    const style = getComputedStyle(document.documentElement);
    const names = ["paper", "card", "ink", "soft", "line", "faint", "mark", "on-mark", "alert"];
    palette = Object.fromEntries(names.map((name) => [name, style.getPropertyValue(`--${name}`)]));
  }
  return palette;
}

// How large a pixel of a drawing is: as much larger than usual as the page's letters are.
export const unit = () => parseFloat(getComputedStyle(document.documentElement).fontSize) / 16;

// A canvas as sharp as the screen; drawn in pixels of `unit`.
export function sharp(canvas) {
  const [dots, size] = [devicePixelRatio || 1, unit()];
  const [width, height] = [canvas.clientWidth, canvas.clientHeight];
  if (canvas.width !== Math.round(width * dots) || canvas.height !== Math.round(height * dots)) {
    canvas.width = Math.round(width * dots);
    canvas.height = Math.round(height * dots);
  }
  const pen = canvas.getContext("2d");
  pen.setTransform(dots * size, 0, 0, dots * size, 0, 0);
  pen.clearRect(0, 0, width / size, height / size);
  return { pen, width: width / size, height: height / size };
}

const PARTS = { difference: "Lit minus dark", lit: "Lit", dark: "Dark" };
const SATURATED = 0xff1e7ffa; // orange, as ABGR

// Three pictures of one readout: lit minus dark, lit, dark, in grey from `ranges` low to high.
export class Readouts {
  constructor(root) {
    this.parts = {};
    for (const [name, title] of Object.entries(PARTS)) {
      const canvas = make("canvas", { width: 1, height: 1 });
      canvas.setAttribute("role", "img");
      canvas.setAttribute("aria-label", `Raw readout: ${title.toLowerCase()}`);
      const range = make("span", { className: "soft" });
      root.append(make("figure", {}, canvas, make("figcaption", {}, title, make("br"), range)));
      this.parts[name] = { canvas, range, words: "" };
    }
  }

  // lit, dark: Uint16Array; saturation 0 where it is not known
  draw(lit, dark, nRows, nCols, ranges, saturation) {
    for (const [name, part] of Object.entries(this.parts)) {
      const { canvas } = part;
      if (canvas.width !== nCols || canvas.height !== nRows) {
        canvas.width = nCols;
        canvas.height = nRows;
        part.image = new ImageData(nCols, nRows);
        part.pixels = new Uint32Array(part.image.data.buffer);
      }
      const [low, high] = ranges[name];
      const scale = 255 / Math.max(1, high - low);
      const counts = name === "dark" ? dark : lit;
      for (let i = 0; i < part.pixels.length; i++) {
        if (saturation && counts[i] >= saturation) {
          part.pixels[i] = SATURATED;
          continue;
        }
        const value = name === "difference" ? lit[i] - dark[i] : counts[i];
        const grey = Math.max(0, Math.min(255, ((value - low) * scale) | 0));
        part.pixels[i] = 0xff000000 | (grey << 16) | (grey << 8) | grey;
      }
      canvas.getContext("2d").putImageData(part.image, 0, 0);
      const words = `${Math.round(low)} to ${Math.round(high)} counts`;
      if (words !== part.words) {
        part.words = words;
        part.range.textContent = words;
      }
    }
  }
}
