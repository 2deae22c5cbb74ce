// The lane of takes over the time line: each by itself where there is room for it, else how many.

import { colours, plain } from "../common.js";

const READABLE_PX = 14; // narrower than this on average, single takes are a grey block
const BAR_PX = 4;

// Whether the takes in sight have room to be drawn one by one.
export function oneByOne(takes, view, width) {
  const inSight = takes.filter((take) => take.onset_s < view[1] && take.onset_s + take.duration_s > view[0]);
  return inSight.length * READABLE_PX <= width;
}

// How many takes begin in each stretch of the view, as bars, those rejected at their foot. Returns
// what it shows in words.
export function drawDensity(pen, takes, view, { width, top, bottom }) {
  const colour = colours();
  const bars = Array.from({ length: Math.ceil(width / BAR_PX) }, () => [0, 0]);
  let [shown, rejected] = [0, 0];
  for (const take of takes) {
    const place = Math.floor((width * (take.onset_s - view[0])) / (view[1] - view[0]) / BAR_PX);
    if (place < 0 || place >= bars.length) continue;
    const out = take.status === "rejected";
    bars[place][0] += 1;
    bars[place][1] += out;
    shown += 1;
    rejected += out;
  }
  const most = Math.max(1, ...bars.map(([all]) => all));
  const floor = bottom - 1;
  const high = floor - top - 15;
  bars.forEach(([all, out], i) => {
    if (!all) return;
    const [tall, refused] = [(high * all) / most, (high * out) / most];
    pen.fillStyle = colour.soft;
    pen.fillRect(i * BAR_PX, floor - tall, BAR_PX - 1, tall);
    pen.fillStyle = colour.alert;
    pen.fillRect(i * BAR_PX, floor - refused, BAR_PX - 1, refused);
  });
  const [all, out] = [shown, rejected].map((n) => n.toLocaleString("en"));
  return `${all} takes, ${out} rejected (at the foot of a bar); + looks closer`;
}

// Words over what is drawn already.
export function drawNote(pen, text, top) {
  const colour = colours();
  pen.fillStyle = colour.card;
  pen.fillRect(0, top, pen.measureText(text).width + 8, 15);
  pen.fillStyle = colour.ink;
  pen.fillText(text, 4, top + 8);
}

// One take from `left` to `right`; `bottom` is where its ends reach down to.
export function drawTake(pen, take, chosen, { left, right, lane, bottom }) {
  const colour = colours();
  const wide = Math.max(2, right - left);
  const rejected = take.status === "rejected";
  pen.save();
  pen.beginPath();
  pen.rect(left, 4, wide, lane - 8);
  pen.fillStyle = chosen ? colour.mark : colour.faint;
  pen.fill();
  pen.save();
  pen.clip();
  if (rejected) {
    pen.strokeStyle = chosen ? colour["on-mark"] : colour.line;
    pen.lineWidth = 1;
    pen.globalAlpha = 0.3;
    pen.beginPath();
    for (let x = left - lane; x < right; x += 9) {
      pen.moveTo(x, lane);
      pen.lineTo(x + lane, 0);
    }
    pen.stroke();
    pen.globalAlpha = 1;
  }
  pen.fillStyle = chosen ? colour["on-mark"] : colour.ink;
  pen.fillText(plain(take.trial_type), left + 6, rejected ? 16 : lane / 2);
  if (rejected) pen.fillText(`rejected: ${take.reason}`, left + 6, 32);
  pen.restore();
  pen.strokeStyle = chosen ? colour.mark : colour.line;
  pen.lineWidth = chosen ? 2.5 : 1;
  pen.setLineDash(rejected ? [5, 4] : []);
  pen.strokeRect(left, 4, wide, lane - 8);
  for (const x of [left, right]) {
    pen.beginPath();
    pen.moveTo(x, lane - 4);
    pen.lineTo(x, bottom);
    pen.stroke();
  }
  if (chosen) {
    pen.setLineDash([]);
    pen.fillStyle = colour.mark;
    for (const x of [left, right]) {
      pen.beginPath();
      pen.roundRect(x - 4, (lane + bottom) / 2 - 16, 8, 32, 3);
      pen.fill();
    }
  }
  pen.restore();
}

// What is being marked as a new take.
export function drawMarked(pen, { left, right, lane, bottom }) {
  const colour = colours();
  pen.save();
  pen.strokeStyle = colour.mark;
  pen.lineWidth = 2.5;
  pen.setLineDash([2, 4]);
  pen.strokeRect(left, 4, Math.max(1, right - left), bottom - 4);
  pen.fillStyle = colour.ink;
  pen.fillText("new take", left + 6, lane / 2);
  pen.restore();
}
