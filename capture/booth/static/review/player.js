// Playing a stretch of a session: the cursor follows the clock at true speed.

import { byId } from "../common.js";

export class Player {
  // seek(time) moves the cursor; seen() draws what is there and tells whether it has come
  constructor(seek, seen) {
    Object.assign(this, { seek, seen });
    this.now = null; // {from, since, until} while it plays
  }

  stop() {
    this.now = null;
  }

  play(from, until) {
    this.now = { from, until, since: null };
    this.seek(from);
    byId("play").firstChild.data = "Stop ";
    requestAnimationFrame((clock) => this.#on(clock));
  }

  // The clock counts from the moment the first readout is there.
  #on(clock) {
    const { now } = this;
    if (!now) {
      byId("play").firstChild.data = "Play ";
      return;
    }
    if (now.since === null && this.seen()) now.since = clock;
    const passed = now.since === null ? 0 : Math.max(0, clock - now.since) / 1000;
    const time = Math.min(now.until, now.from + passed);
    this.seek(time);
    if (time >= now.until) this.now = null;
    requestAnimationFrame((next) => this.#on(next));
  }
}
