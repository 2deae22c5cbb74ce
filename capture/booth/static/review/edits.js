// Edits of a session's takes: one after the other, each against the revision that the one before left.

import { Refused, ask } from "../common.js";

export class Edits {
  // desk: {open(): {table, path, who} or null, taken(labels, row), told(text), failed(error)}
  constructor(desk) {
    this.desk = desk;
    this.saving = Promise.resolve();
  }

  // `what` tells the rest of the edit when its turn comes; null leaves it.
  save(act, what, describe) {
    this.saving = this.saving.then(async () => {
      const open = this.desk.open();
      const rest = open && what(open.table);
      if (!rest) return;
      const { table, path, who } = open;
      const body = { ...who, revision: table.revision, act, ...rest };
      try {
        this.desk.failed();
        this.desk.taken(await ask(`${path}/edits`, { body }), rest.row);
        this.desk.told(describe());
      } catch (error) {
        if (error.status !== 409) {
          this.desk.failed(error);
          return;
        }
        const query = `labeller=${encodeURIComponent(who.labeller)}&blind=${who.blind ? "yes" : "no"}`;
        this.desk.taken(await ask(`${path}/labels?${query}`));
        const text = "These labels were changed in another window. They are loaded anew; your last edit was not saved.";
        this.desk.failed(new Refused(409, text));
      }
    });
  }
}

// Where a take stands now that edits before may have moved it. Its cue tells which it is; of takes
// that no cue asked for, the nearest.
export function rowOf(events, take, row) {
  const asked = take.cue_onset_s !== null;
  const same = events.map((other, i) => [other, i]).filter(([other]) => (other.cue_onset_s !== null) === asked);
  if (asked) return same.find(([other]) => other.cue_onset_s === take.cue_onset_s)?.[1] ?? row;
  const off = ([other]) => Math.abs(other.onset_s - take.onset_s);
  return same.toSorted((a, b) => off(a) - off(b))[0]?.[1] ?? row;
}

// Row of the take of a cue's time; of a take that was added, its own time; or -1.
export const rowAt = (events, time) =>
  events.findIndex((take) => Math.abs((take.cue_onset_s ?? take.onset_s) - time) < 1e-6);
