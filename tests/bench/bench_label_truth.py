"""How many planted wrong labels are found, and how many sound ones are doubted.

    python tests/bench/bench_label_truth.py DIR --task dynamic --draws 5

DIR is a data set whose labels are sound (the demo's recordings, or a world's of tests/worlds). Five
per cent of the takes get another label, five are laid on idle time, one session's labels come one
cue late, in one nobody does anything. Beside ours stands confident learning (Northcutt, Jiang and
Chuang, "Confident Learning", 2021) by cleanlab where it is installed, on the same shapes and with
the same forests.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "capture"))

from planted_labels import Planted, plant

from capture.store.dataset import open_dataset
from capture.store.session import Session, read_session
from capture.truth.opinions import second_opinions
from capture.truth.truth import doubts, read_recorded


def main() -> None:
    """Plant, judge, count."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("data", type=Path)
    parser.add_argument("--task", default="dynamic")
    parser.add_argument("--draws", type=int, default=3)
    options = parser.parse_args()
    sessions = [
        read_session(info.path)
        for info in open_dataset(options.data).sessions
        if info.task == options.task
    ]
    print(f"{options.data} {options.task}: {len(sessions)} sessions")
    _tell("nothing planted", [_count(Planted(sessions, {}, {}), 0)])
    found = []
    for draw in range(options.draws):
        planted = plant(sessions, np.random.default_rng(draw))
        found.append(_count(planted, draw))
        print(f"  draw {draw}: {found[-1]}", flush=True)
    _tell("planted", found)


def _count(planted: Planted, seed: int) -> dict[str, tuple[int, int]]:
    """Return, for each kind, how many are found of how many there are; also the sound ones."""
    recorded = [read_recorded(session) for session in planted.sessions]
    told = doubts(recorded, np.random.default_rng(seed))
    whole = {doubt.session for doubt in told if doubt.row is None}
    takes = {(doubt.session, doubt.row) for doubt in told if doubt.row is not None}
    counts: dict[str, list[int]] = {}

    def count(kind: str, is_found: bool) -> None:
        entry = counts.setdefault(kind, [0, 0])
        entry[0] += is_found
        entry[1] += 1

    for session in planted.sessions:
        name = session.path.name
        count(planted.whole.get(name, "sound session"), name in whole)
    peer = _peer(planted.sessions, recorded)
    for each in recorded:
        name = each.takes.name
        if name in planted.whole:
            continue
        for row in each.takes.rows:
            kind = planted.takes.get((name, row), "sound take")
            count(kind, (name, row) in takes or name in whole)
            if peer is not None:
                count(f"{kind} (cleanlab)", (name, row) in peer)
    return {kind: (n, of) for kind, (n, of) in sorted(counts.items())}


def _peer(sessions: Sequence[Session], recorded: Sequence[object]) -> set[tuple[str, int]] | None:
    try:
        from cleanlab.filter import find_label_issues
    except ImportError:
        return None
    takes = [each.takes for each in recorded]  # type: ignore[attr-defined]
    opinions = second_opinions(takes)
    if opinions is None:
        return None
    wrong = find_label_issues(opinions.given, opinions.both)
    places = [(each.name, row) for each in takes for row in each.rows]
    return {place for place, is_wrong in zip(places, wrong, strict=True) if is_wrong}


def _tell(title: str, found: Sequence[dict[str, tuple[int, int]]]) -> None:
    print(title)
    for kind in sorted({kind for each in found for kind in each}):
        n = sum(each.get(kind, (0, 0))[0] for each in found)
        of = sum(each.get(kind, (0, 0))[1] for each in found)
        print(f"  {kind:<28} {n:5d} of {of:5d}  {n / of:.3f}")


if __name__ == "__main__":
    main()
