"""What takes of an owner are worth: people held out in turn teach the model that has not seen them.

Run as a script:

    python tests/bench/bench_enrol.py [--people 40] [--worlds diffuser emulated]
        [--recipes finger_count static_shapes] [--repetitions 9] [--data DIR] [--jobs 2]

For each world and recipe, after 1, 3 and 5 takes of each class: accuracy before and after with a
paired interval over people, of the mean, of the worst tenth (taken anew before and after), of all
others and of left-handed people, and how many takes were refused a session. Then of a new gesture:
each fold is trained without one of the classes, which its people show as a gesture of their own,
beside takes of all known classes or alone.
Everything is the device's: integers, commands and refusals. `--data` names a folder with data sets
by world, made where they are missing.

For comparison: on 20 people's wrists, of 12 new gestures 55.3, 83.1 and 87.2 % were right after
one, three and five takes (X. Xu et al., Enabling hand gesture customization on wrist-worn devices,
arXiv 2203.15239, 2022, abstract).
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from runtime.reproducible_floats import hold_arithmetic_steady

hold_arithmetic_steady()

from worlds.diffuser import DIFFUSER  # noqa: E402
from worlds.emulated import record_emulated  # noqa: E402
from worlds.mask import MASK  # noqa: E402
from worlds.recording import People, few_takes, record_world  # noqa: E402

from trainer.fit.candidates import reduce_for  # noqa: E402  # after arithmetic is steady
from trainer.fit.held_out import fold_jobs  # noqa: E402
from trainer.fit.owner.figures import figures_in_turn  # noqa: E402
from trainer.fit.owner.taught import teach_jobs  # noqa: E402
from trainer.recipe import Recipe, load_recipe  # noqa: E402
from trainer.recipe_head import HeadRecipe  # noqa: E402
from trainer.work.jobs import LocalWorkers, run_jobs  # noqa: E402

WORLDS = {world.name: world for world in (DIFFUSER, MASK)}
EMULATED = "emulated"
SCRIPTS = {"finger_count": "finger_count", "static_shapes": "static_shapes", "dynamic": "dynamic"}


def record(world: str, folder: Path, people: People, scripts: list[str], takes: int) -> None:
    """Write a data set unless it is there."""
    if folder.exists():
        return
    if world == EMULATED:
        record_emulated(folder, scripts, people)
        return
    wanted = [few_takes(script, takes) for script in scripts]
    record_world(folder, WORLDS[world], wanted, people)


def figures(folder: Path, recipe: Recipe, n_jobs: int, n_folds: int) -> dict[str, Any]:
    """Teach and ask everybody who is not locked."""
    recipe = recipe.model_copy(update={"head": HeadRecipe(enrol=True)})
    workers = LocalWorkers(n_jobs)
    [candidate] = reduce_for(folder.absolute(), [recipe], workers, lambda _: None)
    jobs = teach_jobs(fold_jobs(candidate.fit(), n_folds))
    outcomes = run_jobs(jobs, workers)
    return figures_in_turn(jobs, outcomes, candidate.corpus.participants)


def told(found: dict[str, Any] | None) -> str:
    """Return accuracy before and after, and the interval of the difference, in points."""
    if found is None:
        return "too few"
    low, high = (100 * end for end in found["difference"])
    return (
        f"{found['before']:.3f} to {found['after']:.3f} ({low:+.1f} to {high:+.1f} points, "
        f"{found['n_people']} people)"
    )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--people", type=int, default=40, help="participants")
    parser.add_argument("--first", type=int, default=1, help="number of the first: who they are")
    parser.add_argument("--worlds", nargs="*", choices=[*WORLDS, EMULATED],
                        default=["diffuser", EMULATED])  # fmt: skip
    parser.add_argument("--recipes", nargs="*", choices=list(SCRIPTS),
                        default=["finger_count", "static_shapes"])  # fmt: skip
    parser.add_argument("--repetitions", type=int, default=9, help="takes of each class, in worlds")
    parser.add_argument("--folds", type=int, default=6)
    parser.add_argument("--data", type=Path, help="folder of data sets by world")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        for world in asked.worlds:
            folder = (asked.data or Path(scratch)) / world
            people = People(asked.people, max(1, asked.people // 10), asked.first)
            scripts = sorted({SCRIPTS[name] for name in asked.recipes})
            record(world, folder, people, scripts, asked.repetitions)
            for name in asked.recipes:
                began = time.perf_counter()
                found = figures(folder, load_recipe(name), asked.jobs, asked.folds)
                print(f"{world} {name} ({time.perf_counter() - began:.0f} s)")
                for row in found["classes"]:
                    print(
                        f"  {row['n_shown']} of each: mean {told(row['mean'])}; worst tenth "
                        f"{told(row['worst_tenth'])}; others {told(row['others'])}; left-handed "
                        f"{told(row['left_handed'])}; {row['refused_per_session']:.2f} refused",
                        flush=True,
                    )
                new = [("beside known classes", row) for row in found["new_gesture"]]
                new += [("alone", row) for row in found["new_gesture_alone"]]
                for how, row in new:
                    found_ = "" if row["found"] is None else f", found {row['found']:.3f}"
                    print(
                        f"  new gesture {how}, {row['n_shown']}: accepted of "
                        f"{row['n_accepted']} of {row['n_people']} people{found_}; known classes "
                        f"{told(row['known_classes'])}",
                        flush=True,
                    )


if __name__ == "__main__":
    main()
