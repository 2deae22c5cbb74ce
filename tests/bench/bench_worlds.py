"""How the built-in recipes, untouched, do on sensors and people they were not made with.

Run as a script:

    python tests/bench/bench_worlds.py [--people 24] [--locked 8] [--first 1]
        [--worlds diffuser mask] [--recipes dynamic finger_count] [--hard]
        [--data DIR] [--jobs 2]

Each world is played by invented people; the locked ones are never trained on. For each recipe one
line: its share of right takes in fixed point and in real numbers, four quadrants through the same
pipeline, each peer, and how far it is behind the best of them; a recipe passes within 2 points. Of
recipe distance these are shares of error spared: mean absolute error, against that of telling the
training people's median to everybody.
With ``--hard``, a world's people do the same again with the hand away for part of the time, under
strong flicker, with saturated frames and with sensors of other bit depths; there, what was seen
between the takes differs as well, which `bench_levels.py` leaves as it is. With ``--hard-peers``,
peers are asked about the same altered data: what they lose as well is no longer in the readouts.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from runtime.reproducible_floats import hold_arithmetic_steady

hold_arithmetic_steady()

from worlds.asked import RECIPES, Asked, record_asked  # noqa: E402  # after arithmetic is steady
from worlds.diffuser import DIFFUSER  # noqa: E402
from worlds.gate import Compared, compare  # noqa: E402
from worlds.mask import MASK  # noqa: E402
from worlds.product import load_script  # noqa: E402
from worlds.recording import People, few_takes, record_world  # noqa: E402
from worlds.world import Conditions, World  # noqa: E402

WORLDS = {world.name: world for world in (DIFFUSER, MASK)}
USUAL = "hand never away"
HARD = {
    USUAL: Conditions(empty=0.0),
    "10 % empty": Conditions(empty=0.1),
    "50 % empty": Conditions(empty=0.5),
    "strong flicker": Conditions(empty=0.0, flicker=True),
    "saturated frames": Conditions(empty=0.0, exposure=5.0),
    "8 bits": Conditions(empty=0.0, bit_depth=8),
    "16 bits": Conditions(empty=0.0, bit_depth=16),
    "90 % empty": Conditions(empty=0.9),
}


def _tell(world: World, recipe: str, found: Compared, took_s: float) -> None:
    peers = ", ".join(f"{name} {share:.3f}" for name, share in found.peers.items())
    verdict = "passes" if found.passes else "FAILS"
    print(
        f"{world.name} {recipe}: fixed {found.fixed:.3f}, float {found.real:.3f}, quadrants "
        f"{found.quadrants:.3f} (float {found.quadrants_real:.3f}); {peers}; behind "
        f"{100 * found.behind:+.1f} +- {100 * found.spread:.1f} points: {verdict} "
        f"({found.n_takes} takes, {took_s:.0f} s)"
        + (f"; refused: {found.refused}" if found.refused else ""),
        flush=True,
    )


def _people(asked: argparse.Namespace) -> People:
    return People(asked.people, asked.locked, asked.first)


def _recorded(world: World, wanted: Asked, asked: argparse.Namespace, folder: Path) -> None:
    began = time.perf_counter()
    also = [load_script("everyday_short")] if asked.everyday else []
    told = record_asked(folder, world, wanted, _people(asked), n_jobs=asked.jobs, also=also)
    print(
        f"{world.name} {wanted.script}: {asked.people} people from number {asked.first} on, "
        f"{asked.locked} of them locked, {told['n_frames']:.0f} frame pairs "
        f"({100 * told['empty']:.1f} % without a hand, {100 * told['saturated']:.1f} % saturated) "
        f"in {time.perf_counter() - began:.0f} s",
        flush=True,
    )


def _gate(world: World, asked: argparse.Namespace, folder: Path) -> bool:
    passed = True
    recorded: dict[Asked, Path] = {}
    for name in asked.recipes:
        wanted = RECIPES[name]
        if wanted not in recorded:
            recorded[wanted] = folder / name
            _recorded(world, wanted, asked, recorded[wanted])
        began = time.perf_counter()
        found = compare(recorded[wanted], name, asked.jobs)
        _tell(world, name, found, time.perf_counter() - began)
        passed &= found.passes
    return passed


def _hard(world: World, asked: argparse.Namespace, folder: Path) -> None:
    usual: dict[str, Compared] = {}
    for name, conditions in HARD.items():
        for recipe in (one for one in asked.recipes if RECIPES[one].as_usual):
            script = few_takes(RECIPES[recipe].script, asked.repetitions)
            data = folder / f"{recipe} {name}".replace(" ", "_").replace("%", "")
            told = record_world(data, world, [script], _people(asked), conditions, asked.jobs)
            found = compare(data, recipe, asked.jobs, peers=asked.hard_peers)
            first = usual.setdefault(recipe, found)
            peers = f", best peer {found.peers[found.best_peer]:.3f}" if found.peers else ""
            print(
                f"{world.name} {recipe}, {name}: fixed {found.fixed:.3f} "
                f"({100 * (found.fixed - first.fixed):+.1f} points), float {found.real:.3f}, "
                f"quadrants {found.quadrants:.3f}{peers}; {100 * told['empty']:.0f} % empty, "
                f"{100 * told['saturated']:.0f} % saturated"
                + (f"; refused: {found.refused}" if found.refused else ""),
                flush=True,
            )


def main() -> int:
    """Print the tables; return 0 if every recipe passes everywhere."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--people", type=int, default=24, help="participants, the locked included")
    parser.add_argument("--locked", type=int, default=8, help="participants never trained on")
    parser.add_argument("--first", type=int, default=1, help="number of the first: who they are")
    parser.add_argument("--worlds", nargs="*", choices=list(WORLDS), default=list(WORLDS))
    parser.add_argument("--recipes", nargs="*", default=list(RECIPES), choices=list(RECIPES))
    parser.add_argument("--everyday", action="store_true", help="a minute of everyday time each")
    parser.add_argument("--square", action="store_true", help="32 rows and columns in both worlds")
    parser.add_argument("--hard", action="store_true", help="the table of hard conditions")
    parser.add_argument("--hard-peers", action="store_true", help="peers on the same altered data")
    parser.add_argument("--repetitions", type=int, default=2, help="of each take, when hard")
    parser.add_argument("--data", type=Path, help="new folder to keep the recordings in")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    asked = parser.parse_args()
    passed = True
    with tempfile.TemporaryDirectory() as scratch:
        for name in asked.worlds:
            folder = (asked.data or Path(scratch)) / name
            folder.mkdir(parents=True)
            world = WORLDS[name].reshaped(32, 32) if asked.square else WORLDS[name]
            if asked.hard:
                _hard(world, asked, folder)
            else:
                passed &= _gate(world, asked, folder / "usual")
    return 0 if passed else 1


if __name__ == "__main__":
    sys.exit(main())
