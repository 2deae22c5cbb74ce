// Frame pairs of a session, fetched in pieces around where they are wanted.

import { ask } from "../common.js";

const PIECE = 64; // frame pairs a request
const KEPT = 32; // pieces in memory: 32 MB of 64 x 64 pixels

export class Frames {
  constructor(session, nFrames, arrived) {
    this.path = `/api/sessions/${encodeURIComponent(session.id)}/frames`;
    this.nPixels = session.n_rows * session.n_cols;
    this.nFrames = nFrames;
    this.arrived = arrived; // called when a piece came, or with an error
    this.pieces = new Map(); // piece -> Uint16Array, or null while it is on its way
  }

  // Return {lit, dark} of a frame pair, or null while it is on its way; fetches the next piece too.
  get(index) {
    const piece = Math.floor(index / PIECE);
    this.#fetch(piece);
    if ((piece + 1) * PIECE < this.nFrames) this.#fetch(piece + 1);
    const counts = this.pieces.get(piece);
    if (!counts) return null;
    const at = 2 * this.nPixels * (index - piece * PIECE);
    return {
      lit: counts.subarray(at, at + this.nPixels),
      dark: counts.subarray(at + this.nPixels, at + 2 * this.nPixels),
    };
  }

  async #fetch(piece) {
    const counts = this.pieces.get(piece);
    if (counts === null) return;
    if (counts) {
      this.pieces.delete(piece); // looked at last: to the end of the line
      this.pieces.set(piece, counts);
      return;
    }
    this.pieces.set(piece, null);
    try {
      const reply = await ask(`${this.path}?first=${piece * PIECE}&count=${PIECE}`, { bytes: true });
      this.pieces.set(piece, new Uint16Array(reply));
      for (const [old, content] of this.pieces) {
        if (this.pieces.size <= KEPT) break;
        if (content) this.pieces.delete(old);
      }
      this.arrived();
    } catch (error) {
      this.pieces.delete(piece);
      this.arrived(error);
    }
  }
}
