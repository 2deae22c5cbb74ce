// A take that no cue asked for: its start is marked at the cursor, then its end, then it is named.

import { Refused, byId, plain } from "../common.js";
import { question } from "./panels.js";

const SHORTEST_S = 0.01;

export class NewTake {
  // desk: {open(): labels that it may be given, or null; add(take, said); tell(text); complain(error)}
  constructor(line, desk) {
    Object.assign(this, { line, desk });
  }

  // The first press sets the start, the second the end.
  press() {
    if (!this.desk.open()) return;
    const { mark, cursor } = this.line;
    this.#set(mark === null ? cursor : null);
    if (mark === null) this.desk.tell(`A new take starts at ${cursor.toFixed(2)} seconds. Go to its end.`);
    else this.between(mark, cursor);
  }

  leave() {
    this.line.cancel();
    this.#set(null);
  }

  between(one, other) {
    const labels = this.desk.open();
    const [from, to] = [Math.min(one, other), Math.max(one, other)];
    if (!labels) return;
    if (to - from < SHORTEST_S) {
      this.desk.complain(new Refused(0, "A take's end must come after its start."));
      return;
    }
    const range = `${from.toFixed(2)} to ${to.toFixed(2)} s`;
    question(`What is the new take, ${range}?`, labels, (label) =>
      this.desk.add({ onset_s: from, duration_s: to - from, trial_type: label }, `Added: ${plain(label)}, ${range}`),
    );
  }

  #set(time) {
    this.line.mark = time;
    byId("add").firstChild.data = time === null ? "New take " : "It ends here ";
    this.line.redraw();
  }
}
