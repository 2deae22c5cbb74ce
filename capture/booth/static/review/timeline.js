// The time line: readout energy of a session, its takes, the cursor; ends of takes can be dragged.

import { colours, sharp, unit } from "../common.js";
import { drawDensity, drawMarked, drawNote, drawTake, oneByOne } from "./takes_lane.js";

const GRIP_PX = 9;
const LANE_PX = 46; // where the takes are written, above the energy
const FOOT_PX = 20; // where the times are written

// Index of the last time at or before `time`; 0 if there is none.
export function indexAt(times, time) {
  let [low, high] = [0, times.length];
  while (low < high) {
    const middle = (low + high) >> 1;
    if (times[middle] <= time) low = middle + 1;
    else high = middle;
  }
  return Math.max(0, low - 1);
}

export class Timeline {
  // on: {seek(time), choose(row), move(onset, end), mark(from, to)}
  constructor(near, whole, on) {
    Object.assign(this, { near, whole, on });
    this.times = new Float64Array(0);
    this.energy = new Float32Array(0);
    this.gaps = []; // [start, end] of each lost connection
    this.stretches = [];
    this.takes = [];
    this.chosen = -1;
    this.cursor = 0;
    this.mark = null; // where a new take starts, while its end is looked for
    this.view = [0, 1];
    this.drag = null; // {side, ends} of the chosen take, or {ends, fresh} of a new one
    this.waiting = false;
    near.addEventListener("pointerdown", (event) => this.#down(event));
    near.addEventListener("pointermove", (event) => this.#move(event));
    near.addEventListener("pointerup", () => this.#up());
    near.addEventListener("pointercancel", () => this.cancel());
    near.addEventListener("wheel", (event) => this.#wheel(event), { passive: false });
    whole.addEventListener("pointerdown", (event) => this.#seekWhole(event));
    addEventListener("resize", () => this.redraw());
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.redraw());
  }

  get length() {
    return Math.max(this.times.at(-1) ?? 0, 1e-3);
  }

  load(times, energy, gaps = []) {
    Object.assign(this, { times, energy, gaps });
    const ends = gaps.map(([before]) => indexAt(times, before));
    // First and last frame pair of each stretch between lost connections.
    this.stretches = [...ends, times.length - 1].map((end, i) => [i ? ends[i - 1] + 1 : 0, end]);
    this.root = energy.map(Math.sqrt);
    this.most = this.root.reduce((most, value) => Math.max(most, value), 1);
    this.cursor = 0;
    this.show(0, Math.min(this.length, 20));
  }

  show(from, to) {
    const span = Math.min(this.length, Math.max(0.2, to - from));
    const start = Math.max(0, Math.min(this.length - span, from));
    this.view = [start, start + span];
    this.redraw();
  }

  zoom(factor) {
    const span = (this.view[1] - this.view[0]) * factor;
    this.show(this.cursor - span / 2, this.cursor + span / 2);
  }

  // Keep a time in sight.
  reveal(time) {
    const [from, to] = this.view;
    if (time < from || time > to) {
      const span = to - from;
      this.show(time - 0.1 * span, time + 0.9 * span);
    }
  }

  cancel() {
    this.drag = null;
    this.redraw();
  }

  redraw() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => {
      this.waiting = false;
      this.#drawWhole();
      this.#drawNear();
    });
  }

  #x(time, width) {
    return (width * (time - this.view[0])) / (this.view[1] - this.view[0]);
  }

  #time(event) {
    const share = event.offsetX / this.near.clientWidth;
    return this.view[0] + share * (this.view[1] - this.view[0]);
  }

  #down(event) {
    if (event.button !== 0) return;
    const width = this.near.clientWidth;
    const take = this.takes[this.chosen];
    if (take) {
      const ends = [take.onset_s, take.onset_s + take.duration_s];
      const off = ends.map((time) => Math.abs(this.#x(time, width) - event.offsetX));
      const side = off[0] <= off[1] ? 0 : 1;
      if (off[side] <= GRIP_PX * unit()) {
        this.#begin(event, { side, ends });
        return;
      }
    }
    const time = this.#time(event);
    if (event.offsetY < LANE_PX * unit()) {
      const row = this.takes.findIndex((t) => time >= t.onset_s && time <= t.onset_s + t.duration_s);
      if (row >= 0) this.on.choose(row);
      else this.#begin(event, { side: 1, ends: [time, time], fresh: true });
      return;
    }
    this.on.seek(time);
  }

  #begin(event, drag) {
    this.drag = drag;
    this.near.setPointerCapture(event.pointerId);
  }

  #move(event) {
    if (!this.drag) return;
    const { side, ends, fresh } = this.drag;
    const time = Math.max(0, Math.min(this.length, this.#time(event)));
    if (fresh) ends[1] = time;
    else ends[side] = side === 0 ? Math.min(time, ends[1] - 0.01) : Math.max(time, ends[0] + 0.01);
    this.on.seek(ends[side]);
    this.redraw();
  }

  #up() {
    if (!this.drag) return;
    const { ends, fresh } = this.drag;
    this.drag = null;
    if (fresh && ends[0] === ends[1]) this.on.seek(ends[0]); // a click
    else if (fresh) this.on.mark(ends[0], ends[1]);
    else this.on.move(ends[0], ends[1]);
    this.redraw();
  }

  #wheel(event) {
    event.preventDefault();
    const [from, to] = this.view;
    const step = ((to - from) * (event.deltaX || event.deltaY)) / 1000;
    this.show(from + step, to + step);
  }

  #seekWhole(event) {
    const time = (event.offsetX / this.whole.clientWidth) * this.length;
    this.on.seek(time);
    const half = (this.view[1] - this.view[0]) / 2;
    this.show(time - half, time + half);
  }

  // The energy as a filled shape, broken where the connection was lost: nobody knows what was there.
  #energyShape(pen, from, to, width, top, bottom) {
    const x = (time) => (width * (time - from)) / (to - from);
    const seen = [indexAt(this.times, from), Math.min(this.times.length - 1, indexAt(this.times, to) + 1)];
    for (const [first, last] of this.stretches) {
      this.#stretch(pen, Math.max(first, seen[0]), Math.min(last, seen[1]), x, bottom, bottom - top);
    }
    pen.save();
    pen.strokeStyle = colours().alert;
    pen.lineWidth = 1;
    pen.setLineDash([2, 3]);
    for (const [before, after] of this.gaps) {
      if (after < from || before > to) continue;
      const [left, wide] = [x(before), Math.max(1, x(after) - x(before))];
      pen.strokeRect(left, top, wide, bottom - top);
      if (wide > 110 && bottom - top > 60) {
        pen.fillStyle = colours().alert;
        pen.fillText("connection lost", Math.max(left, 0) + 6, top + 12);
      }
    }
    pen.restore();
  }

  // One stretch: the highest energy of each column of pixels; where many share one, darker their mean.
  #stretch(pen, first, last, x, bottom, tall) {
    const columns = new Map(); // x -> highest, sum, number
    for (let i = first; i <= last; i++) {
      const place = Math.round(x(this.times[i]));
      const [high, sum, n] = columns.get(place) ?? [0, 0, 0];
      columns.set(place, [Math.max(high, this.root[i]), sum + this.root[i], n + 1]);
    }
    if (!columns.size) return;
    const places = [...columns.keys()];
    const fill = (value) => {
      pen.beginPath();
      pen.moveTo(places[0], bottom);
      columns.forEach((column, place) => pen.lineTo(place, bottom - (tall * value(column)) / this.most));
      pen.lineTo(places.at(-1), bottom);
      pen.fill();
    };
    const crowded = last - first > columns.size;
    pen.globalAlpha = crowded ? 0.4 : 1;
    fill(([high]) => high);
    pen.globalAlpha = 1;
    if (crowded) fill(([, sum, n]) => sum / n);
  }

  #drawWhole() {
    const { pen, width, height } = sharp(this.whole);
    const colour = colours();
    pen.fillStyle = colour.line;
    this.#energyShape(pen, 0, this.length, width, 4, height);
    const [left, right] = this.view.map((time) => (width * time) / this.length);
    pen.strokeStyle = colour.mark;
    pen.lineWidth = 2;
    pen.strokeRect(left + 1, 1, Math.max(3, right - left - 2), height - 2);
    pen.fillStyle = colour.ink;
    pen.fillRect((width * this.cursor) / this.length - 1, 0, 2, height);
  }

  #drawNear() {
    const { pen, width, height } = sharp(this.near);
    const colour = colours();
    pen.font = "13px system-ui, sans-serif";
    pen.textBaseline = "middle";
    let note = "";
    if (oneByOne(this.takes, this.view, width)) {
      this.takes.forEach((take, row) => row !== this.chosen && this.#drawTake(pen, take, false, width, height));
    } else {
      note = drawDensity(pen, this.takes, this.view, { width, top: 2, bottom: LANE_PX });
    }
    pen.fillStyle = colour.line;
    this.#energyShape(pen, ...this.view, width, LANE_PX + 6, height - FOOT_PX);
    if (this.takes[this.chosen]) this.#drawTake(pen, this.takes[this.chosen], true, width, height);
    if (note) drawNote(pen, note, 1);
    this.#drawMark(pen, width, height);
    this.#drawTimes(pen, width, height);
    const x = this.#x(this.cursor, width);
    pen.fillStyle = colour.ink;
    pen.fillRect(x - 1, LANE_PX, 2, height - LANE_PX - FOOT_PX + 4);
    pen.beginPath();
    pen.moveTo(x - 6, LANE_PX);
    pen.lineTo(x + 6, LANE_PX);
    pen.lineTo(x, LANE_PX + 8);
    pen.fill();
  }

  // What is being marked as a new take.
  #drawMark(pen, width, height) {
    const ends = this.drag?.fresh ? this.drag.ends : this.mark === null ? null : [this.mark, this.cursor];
    if (!ends) return;
    const [left, right] = ends.map((time) => this.#x(time, width)).sort((a, b) => a - b);
    drawMarked(pen, { left, right, lane: LANE_PX, bottom: height - FOOT_PX });
  }

  #drawTake(pen, take, chosen, width, height) {
    const dragged = chosen && this.drag && !this.drag.fresh ? this.drag.ends : null;
    const ends = dragged ?? [take.onset_s, take.onset_s + take.duration_s];
    const [left, right] = ends.map((time) => this.#x(time, width));
    if (right < 0 || left > width) return;
    drawTake(pen, take, chosen, { left, right, lane: LANE_PX, bottom: height - FOOT_PX });
  }

  #drawTimes(pen, width, height) {
    const colour = colours();
    const span = this.view[1] - this.view[0];
    const step = [0.1, 0.2, 0.5, 1, 2, 5, 10, 30, 60, 300, 600].find((s) => (s / span) * width > 70) ?? 1800;
    pen.fillStyle = colour.soft;
    pen.strokeStyle = colour.line;
    pen.lineWidth = 1;
    pen.beginPath();
    for (let n = Math.ceil(this.view[0] / step); n * step <= this.view[1]; n++) {
      const x = this.#x(n * step, width);
      pen.moveTo(x, height - FOOT_PX);
      pen.lineTo(x, height - FOOT_PX + 4);
      pen.fillText(`${(n * step).toFixed(step < 1 ? 1 : 0)} s`, x + 3, height - FOOT_PX / 2 + 1);
    }
    pen.stroke();
  }
}
