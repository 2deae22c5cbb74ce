"""By how much the built-in recipes move where nothing but the conditions changes.

Run as a script:

    python tests/bench/bench_levels.py [--people 16] [--locked 4] [--first 1] [--seeds 2]
        [--worlds diffuser mask emulated] [--recipes dynamic finger_count] [--half] [--peers]
        [--conditions "90 % empty" "strong flicker"] [--data DIR] [--jobs 2]

Invented people of each world, and before the built-in sensor, do what a recipe asks for. Their
recordings are then made harder take by take, through files: frames without anybody between the
takes, flicker, saturation, a glare that passes, other bits (`worlds.hardened`). The recipe,
untouched, learns from each anew, and everybody is asked, those learned from in turn
(`worlds.gate.ask_everybody`). Wanted is less than a point of change over the same takes. Beside it
stands the standard error over people, and what both say together: *less* or *more* than a point
where two standard errors say so, else *not shown*. With ``--peers`` plain classifiers are asked
about the same altered data: what they lose as well is no longer in the readouts. With ``--half``
the worlds have half of their rows and columns, which is a quarter of the work. What was found is
kept in ``--data`` and not asked again.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from dataclasses import asdict
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from runtime.reproducible_floats import hold_arithmetic_steady

hold_arithmetic_steady()

from worlds.asked import RECIPES  # noqa: E402  # after arithmetic is steady
from worlds.diffuser import DIFFUSER  # noqa: E402
from worlds.emulated import record_emulated  # noqa: E402
from worlds.gate import Compared, ask_everybody, compare, moved_in_all  # noqa: E402
from worlds.hardened import AWAY_SCRIPT, HARDER, harden  # noqa: E402
from worlds.mask import MASK  # noqa: E402
from worlds.product import load_script  # noqa: E402
from worlds.recording import People, few_takes, record_world  # noqa: E402

WORLDS = {world.name: world for world in (DIFFUSER, MASK)}
OF_CLASSES = [name for name, asked in RECIPES.items() if asked.as_usual]
EMULATED = "emulated"
AS_RECORDED = "as recorded"
LITTLE = 0.01
"""By so little accuracy may move when nothing but the conditions changes."""

Found = dict[tuple[str, str], Compared]
"""By world and condition."""


def _source(name: str, recipe: str, asked: argparse.Namespace, folder: Path) -> Path:
    """Return the recordings of a world's people doing what a recipe asks for, made once."""
    source = folder / "source"
    if source.exists():
        return source
    people = People(asked.people, asked.locked, asked.first)
    script = RECIPES[recipe].script
    if name == EMULATED:
        record_emulated(source, [script, str(AWAY_SCRIPT)], people)
        return source
    world = WORLDS[name]
    if asked.half:
        world = world.reshaped(world.sensor.n_rows // 2, world.sensor.n_cols // 2)
    scripts = [few_takes(script, asked.repetitions), load_script(AWAY_SCRIPT)]
    record_world(source, world, scripts, people, n_jobs=asked.jobs)
    return source


def _ask(
    name: str, recipe: str, told: str, asked: argparse.Namespace, folder: Path
) -> tuple[Compared, dict[str, float], float]:
    """Return what is right under a condition, of peers too, and how much is saturated."""
    named = told.replace(" ", "_").replace("%", "")
    kept = folder / f"{named}.json"
    if kept.exists():
        found, peers, saturated = json.loads(kept.read_text())
        return Compared(**found), peers, saturated
    source = _source(name, recipe, asked, folder)
    with tempfile.TemporaryDirectory(dir=folder) as scratch:
        data = Path(scratch) / named
        saturated = harden(source, data, RECIPES[recipe].script, HARDER[told])
        right = ask_everybody(data, recipe, asked.jobs, asked.seeds)
        peers = compare(data, recipe, asked.jobs, besides=False).peers if asked.peers else {}
    kept.write_text(json.dumps([asdict(right), peers, saturated]))
    return right, peers, saturated


def _verdict(change: float, spread: float) -> str:
    if abs(change) + 2 * spread < LITTLE:
        return "less"
    return "more" if abs(change) - 2 * spread > LITTLE else "not shown"


def _table(recipe: str, found: Found, asked: argparse.Namespace) -> bool:
    """Print a recipe's table; return whether no condition is shown to move it by a point."""
    names = list(asked.worlds)
    usual = {name: found[name, AS_RECORDED] for name in names}
    told = ", ".join(
        f"{name} {one.fixed:.3f} of {one.n_takes} takes of {len(set(one.people))} people"
        for name, one in usual.items()
    )
    print(f"\n{recipe}, right as recorded: {told}\nchange in points (standard error)")
    print(f"{'':18}" + "".join(f"{name:>16}" for name in [*names, "all"]))
    holds = True
    for condition in dict.fromkeys(asked.conditions):
        pairs = [(usual[name], found[name, condition]) for name in names]
        changes = [moved_in_all([pair]) for pair in pairs] + [moved_in_all(pairs)]
        verdict = _verdict(*changes[-1])
        holds &= verdict != "more"
        cells = "".join(f"{f'{100 * c:+.1f} ({100 * s:.1f})':>16}" for c, s in changes)
        print(f"{condition:18}{cells}  {verdict}", flush=True)
    return holds


def main() -> int:
    """Print the tables; return 0 if no condition is shown to move a recipe by a point."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--people", type=int, default=16, help="participants, the locked included")
    parser.add_argument("--locked", type=int, default=4, help="never trained on")
    parser.add_argument(
        "--first", type=int, default=1, help="number of the first; the built-in sensor has 99"
    )
    parser.add_argument("--worlds", nargs="*", choices=[*WORLDS, EMULATED], help="all as it comes")
    parser.add_argument(
        "--recipes", nargs="*", choices=OF_CLASSES, default=["dynamic", "finger_count"]
    )
    parser.add_argument("--conditions", nargs="*", choices=list(HARDER), default=list(HARDER)[1:])
    parser.add_argument("--seeds", type=int, default=2, help="fits of each group, from other seeds")
    parser.add_argument("--repetitions", type=int, default=2, help="of each take, in a world")
    parser.add_argument("--half", action="store_true", help="half the rows and columns in worlds")
    parser.add_argument("--peers", action="store_true", help="peers on the same altered data")
    parser.add_argument("--data", type=Path, help="folder to keep recordings and findings in")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    asked = parser.parse_args()
    asked.worlds = asked.worlds or [*WORLDS, EMULATED]
    if EMULATED in asked.worlds and asked.first + asked.people > 100:
        parser.error("--first: the built-in sensor has people 1 to 99; leave it out of --worlds")
    holds = True
    with tempfile.TemporaryDirectory() as scratch:
        for recipe in asked.recipes:
            found: Found = {}
            for name in asked.worlds:
                folder = (asked.data or Path(scratch)) / recipe / name
                folder.mkdir(parents=True, exist_ok=True)
                for told in dict.fromkeys([AS_RECORDED, *asked.conditions]):
                    found[name, told], peers, saturated = _ask(name, recipe, told, asked, folder)
                    one = found[name, told]
                    print(
                        f"{name} {recipe}, {told}: {one.fixed:.3f}, {100 * saturated:.0f} % of "
                        f"frames saturated" + "".join(f"; {p} {s:.3f}" for p, s in peers.items())
                        + (f"; refused: {one.refused}" if one.refused else ""),
                        flush=True,
                    )  # fmt: skip
            holds &= _table(recipe, found, asked)
    return 0 if holds else 1


if __name__ == "__main__":
    sys.exit(main())
