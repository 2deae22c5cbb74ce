"""How long a night of scores takes to be judged at every margin, and by how much the walk is short.

Run as a script: python tests/bench/bench_trainer_events.py
Scores are drawn, not recorded: in one frame of fifty some gesture is best.
"""

from __future__ import annotations

import time

import numpy as np

from runtime.stages.closing.decision import NO_EVENT, Decision
from trainer.judge.events import decision_frames, rank_gestures

HOURS, RATE_HZ, N_CLASSES, N_MARGINS = 10, 30, 9, 40
LEAD = 90


def main() -> None:
    """Print seconds for all margins, and the ratio to the decision stage's own walk at one."""
    rng = np.random.default_rng(4)
    n_frames = HOURS * 3600 * RATE_HZ
    scores = rng.integers(-50, 51, (n_frames, N_CLASSES)).astype(np.int32)
    scores[:, -1] += LEAD
    for start in range(0, n_frames, 250):
        scores[start : start + 5, rng.integers(N_CLASSES - 1)] += 2 * LEAD
    other = (False,) * (N_CLASSES - 1) + (True,)
    decisions = [
        Decision(other, threshold, threshold // 2, 2, 15)
        for threshold in np.linspace(0, 2 * LEAD, N_MARGINS).astype(int).tolist()
    ]
    began = time.perf_counter()
    ranked = rank_gestures(scores, other)
    detected = [decision_frames(ranked, decision)[0] for decision in decisions]
    all_margins = time.perf_counter() - began
    began = time.perf_counter()
    stage, _ = decisions[1].run(scores, decisions[1].initial_state())
    one_margin = time.perf_counter() - began
    same = np.array_equal(detected[1], np.flatnonzero(stage[:, 0] != NO_EVENT))
    print(
        f"{HOURS} h at {N_MARGINS} margins: {all_margins:.2f} s, {len(detected[1])} events at one"
    )
    print(f"the stage's own walk at one margin: {one_margin:.2f} s; the same events: {same}")
    print(f"ratio for a margin: {one_margin / (all_margins / N_MARGINS):.0f} times faster")


if __name__ == "__main__":
    main()
