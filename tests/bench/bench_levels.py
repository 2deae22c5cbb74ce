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
stands the standard error over people, and of all worlds together the one over groups of takes that
share their fits, and the interval that two one-sided tests of 5 % are read from (90 %, of Student's
t over people; D. Schuirmann, J. Pharmacokinet. Biopharm. 15, 1987, from memory): *less* than a
point where all of it is, *more* where none of it is, else *not shown*. The last table is of all
recipes' takes; a person of one recipe and of another counts as one. With ``--peers`` plain
classifiers are asked
about the same altered data: what they lose as well is no longer in the readouts. With ``--half``
the worlds have half of their rows and columns, which is a quarter of the work. What was found is
kept in ``--data`` and not asked again.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path

from scipy.stats import t as student_t

sys.path.insert(0, str(Path(__file__).parents[1]))

from runtime.reproducible_floats import hold_arithmetic_steady

hold_arithmetic_steady()

from worlds.asked import RECIPES  # noqa: E402  # after arithmetic is steady
from worlds.diffuser import DIFFUSER  # noqa: E402
from worlds.emulated import record_emulated  # noqa: E402
from worlds.gate import (  # noqa: E402
    Compared,
    ask_everybody,
    compare,
    moved_in_all,
    moved_over_fits,
)
from worlds.hardened import AWAY_SCRIPT, HARDER, harden  # noqa: E402
from worlds.mask import MASK  # noqa: E402
from worlds.product import Script, load_script  # noqa: E402
from worlds.recording import People, few_takes, record_world  # noqa: E402

WORLDS = {world.name: world for world in (DIFFUSER, MASK)}
OF_CLASSES = [name for name, asked in RECIPES.items() if asked.as_usual]
EMULATED = "emulated"
AS_RECORDED = "as recorded"
LITTLE = 0.01
"""By so little accuracy may move when nothing but the conditions changes."""

Found = dict[tuple[str, str, str], Compared]
"""By recipe, world and condition."""


def _source(name: str, recipe: str, asked: argparse.Namespace, folder: Path) -> Path:
    """Return the recordings of a world's people doing what a recipe asks for, made once."""
    source = folder / "source"
    if source.exists():
        return source
    people = People(asked.people, asked.locked, asked.first)
    script = RECIPES[recipe].script
    if name == EMULATED:
        fewer = folder / f"{script}.toml"
        fewer.write_text(_as_toml(few_takes(script, asked.repetitions)))
        record_emulated(source, [str(fewer), str(AWAY_SCRIPT)], people)
        return source
    world = WORLDS[name]
    if asked.half:
        world = world.reshaped(world.sensor.n_rows // 2, world.sensor.n_cols // 2)
    scripts = [few_takes(script, asked.repetitions), load_script(AWAY_SCRIPT)]
    record_world(source, world, scripts, people, n_jobs=asked.jobs)
    return source


def _as_toml(script: Script) -> str:
    """Return a script as the file that `palmwatt record` reads."""
    content = script.model_dump(mode="json", by_alias=True)
    cues = content.pop("cue")
    tables = [content, *cues]
    parts = ["\n".join(f"{key} = {json.dumps(value)}" for key, value in t.items()) for t in tables]
    return "\n\n[[cue]]\n".join(parts) + "\n"


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


def _verdict(change: float, half: float) -> str:
    if abs(change) + half < LITTLE:
        return "less"
    return "more" if abs(change) - half > LITTLE else "not shown"


def _table(told: str, found: Found, asked: argparse.Namespace) -> bool:
    """Print a table of some recipes; return whether no condition is shown to move them by a point.

    Of each condition: the change in every world, and in all of them.
    """
    names, recipes = list(asked.worlds), list(dict.fromkeys(recipe for recipe, *_ in found))
    print(f"\n{told}\nchange in points (standard error over people)")
    print(f"{'':18}" + "".join(f"{name:>16}" for name in names) + "   all, also over fits; 90 %")
    holds = True
    for condition in dict.fromkeys(asked.conditions):
        pairs = {
            name: [(found[r, name, AS_RECORDED], found[r, name, condition]) for r in recipes]
            for name in names
        }
        cells = ""
        for own in pairs.values():
            change, spread = moved_in_all(own, together=True)
            cells += f"{f'{100 * change:+.1f} ({100 * spread:.1f})':>16}"
        every = [_renamed(pair, name) for name, own in pairs.items() for pair in own]
        change, spread = moved_in_all(every, together=True)
        n_people = len({person for before, _ in every for person in before.people})
        half = float(student_t.ppf(0.95, n_people - 1)) * spread
        verdict = _verdict(change, half)
        holds &= verdict != "more"
        print(
            f"{condition:18}{cells}   {100 * change:+.2f} ({100 * spread:.2f}, "
            f"{100 * moved_over_fits(every):.2f}) [{100 * (change - half):+.2f}, "
            f"{100 * (change + half):+.2f}]  {verdict}",
            flush=True,
        )
    return holds


def _renamed(pair: tuple[Compared, Compared], name: str) -> tuple[Compared, Compared]:
    """Return both with their people told from those of other worlds."""
    before, after = pair
    return replace(before, people=tuple(f"{name} {p}" for p in before.people)), after


def _told(recipe: str, found: Found, names: Sequence[str]) -> str:
    usual = [(name, found[recipe, name, AS_RECORDED]) for name in names]
    return f"{recipe}, right as recorded: " + ", ".join(
        f"{name} {one.fixed:.3f} of {one.n_takes} takes of {len(set(one.people))} people"
        for name, one in usual
    )


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
    parser.add_argument("--repetitions", type=int, default=2, help="of each take")
    parser.add_argument("--half", action="store_true", help="half the rows and columns in worlds")
    parser.add_argument("--peers", action="store_true", help="peers on the same altered data")
    parser.add_argument("--data", type=Path, help="folder to keep recordings and findings in")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    asked = parser.parse_args()
    asked.worlds = asked.worlds or [*WORLDS, EMULATED]
    if EMULATED in asked.worlds and asked.first + asked.people > 100:
        parser.error("--first: the built-in sensor has people 1 to 99; leave it out of --worlds")
    holds, everything = True, {}
    with tempfile.TemporaryDirectory() as scratch:
        for recipe in asked.recipes:
            found: Found = {}
            for name in asked.worlds:
                folder = (asked.data or Path(scratch)) / recipe / name
                folder.mkdir(parents=True, exist_ok=True)
                for told in dict.fromkeys([AS_RECORDED, *asked.conditions]):
                    found[recipe, name, told], peers, saturated = _ask(
                        name, recipe, told, asked, folder
                    )
                    one = found[recipe, name, told]
                    print(
                        f"{name} {recipe}, {told}: {one.fixed:.3f}, {100 * saturated:.0f} % of "
                        f"frames saturated" + "".join(f"; {p} {s:.3f}" for p, s in peers.items())
                        + (f"; refused: {one.refused}" if one.refused else ""),
                        flush=True,
                    )  # fmt: skip
            holds &= _table(_told(recipe, found, asked.worlds), found, asked)
            everything.update(found)
    if len(asked.recipes) > 1:
        holds &= _table("all recipes", everything, asked)
    return 0 if holds else 1


if __name__ == "__main__":
    sys.exit(main())
