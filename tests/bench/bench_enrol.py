"""What takes of an owner are worth: people held out in turn teach the model that has not seen them.

Run as a script:

    python tests/bench/bench_enrol.py [--people 40] [--left 12] [--worlds diffuser emulated]
        [--recipes finger_count static_shapes] [--repetitions 9] [--folds 6] [--turns 6]
        [--elsewhere 40 [--new 2 3] [--own 40] [--own-only] [--networks layers filters]
        [--rival NATS] [--whole]] [--data DIR] [--jobs 2]

For each world and recipe, after 1, 3 and 5 takes of each class: accuracy before and after with a
paired interval over people, of the mean, of the worst tenth (taken anew before and after), of all
others and of left-handed people, and how many takes were refused a session. Then of a new gesture:
each fold is trained without one of the classes, which its people show as a gesture of their own,
beside takes of all known classes or alone; of all folds together, and class by class.
As few people are left-handed, `--left` more of them are recorded: they teach a model that has
learned from people of the usual mix, and count among the left-handed alone.
With `--elsewhere N` others are asked in their place, from number `--first-asked` on, who have a
second session at another place and height, in another sleeve and another room: from `--people`
(numbers 1 on) a model of each network that a recipe names learns, N teach it in their first session
and are asked in both. Printed are the lines of MEASURED.md's tables: the worst tenth with Student's
interval, all others by the lower end of theirs, `--whole` everything. New gestures are the classes
`--new`, one after another, as each is another fit, favoured as other people chose by the others;
`--own-only` asks of them alone, with the `--rival` that a run before printed.
Everything is the device's: integers, commands and refusals, from where `--folds` of the people who
are learned from chose. `--data` names a folder with data sets by world, made where they are missing
and refused where they were made with other people, takes or programs. What is done goes to stderr.

For comparison: on 20 people's wrists, of 12 new gestures 55.3, 83.1 and 87.2 % were right after
one, three and five takes (X. Xu et al., Enabling hand gesture customization on wrist-worn devices,
arXiv 2203.15239, 2022, abstract).
"""

from __future__ import annotations

import argparse
import itertools
import math
import re
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from runtime.reproducible_floats import hold_arithmetic_steady

hold_arithmetic_steady()

from kept_sets import make_once  # noqa: E402
from lesson_tables import known_lines, left_lines, own_lines  # noqa: E402
from lessons_elsewhere import Lessons, ask_both, favoured_by_others, rival_of  # noqa: E402
from people_elsewhere import ASKED, LEARNED, record_role  # noqa: E402
from worlds.diffuser import DIFFUSER  # noqa: E402
from worlds.emulated import record_emulated  # noqa: E402
from worlds.mask import MASK  # noqa: E402
from worlds.recording import People, few_takes, person_of, record_world  # noqa: E402

from runtime.errors import Error  # noqa: E402
from trainer.fit.candidates import Candidate, reduce_for  # noqa: E402  # after arithmetic is steady
from trainer.fit.held_out import FitJob, fold_jobs  # noqa: E402
from trainer.fit.owner.favour import shown_in_turn  # noqa: E402
from trainer.fit.owner.figures import figures_in_turn  # noqa: E402
from trainer.fit.owner.taught import TeachJob, teach_jobs  # noqa: E402
from trainer.fit.owner.worth import figures_of_owners  # noqa: E402
from trainer.recipe import Recipe, load_recipe  # noqa: E402
from trainer.recipe_head import HeadRecipe  # noqa: E402
from trainer.work.jobs import LocalWorkers, run_jobs  # noqa: E402

WORLDS = {world.name: world for world in (DIFFUSER, MASK)}
EMULATED = "emulated"
SCRIPTS = {"finger_count": "finger_count", "static_shapes": "static_shapes", "dynamic": "dynamic"}


LEFT = "-left"
"""Ends the name of a data set of more left-handed people."""
NETWORKS = ("layers", "filters")
SAID_EVERY_S = 5.0


class Progress:
    """Says on stderr what is being done and after how much of the processor's time.

    Of what is counted, a line every few seconds.
    """

    def __init__(self) -> None:
        self._words, self._said_s = "", -math.inf

    def __call__(self, what: str) -> None:
        """Say it, unless the same but for its numbers has just been said."""
        words, now_s = re.sub(r"\d+", "", what), time.monotonic()
        if words != self._words or now_s - self._said_s >= SAID_EVERY_S:
            self._words, self._said_s = words, now_s
            print(f"{time.process_time():6.0f} s: {what}", file=sys.stderr, flush=True)


tell = Progress()


def record(world: str, folder: Path, people: People, scripts: list[str], takes: int) -> None:
    """Write a data set unless it is there."""

    def make(part: Path) -> None:
        if world == EMULATED:
            record_emulated(part, scripts, people)
            return
        record_world(part, WORLDS[world], [few_takes(script, takes) for script in scripts], people)

    make_once(folder, _made_with(world, people, scripts, takes), make)


def record_left(
    world: str, folder: Path, people: People, n_left: int, scripts: list[str], takes: int
) -> None:
    """Write a data set of the next left-handed people behind others, unless it is there."""
    if n_left == 0:
        return

    def make(part: Path) -> None:
        left = (n for n in itertools.count(people.numbers.stop) if person_of(WORLDS[world], n).left)
        wanted = [few_takes(script, takes) for script in scripts]
        for at, number in enumerate(itertools.islice(left, n_left + 1)):
            locked = at == n_left  # a data set wants somebody who is
            record_world(part, WORLDS[world], wanted, People(1, int(locked), number))

    make_once(folder, _made_with(world, people, scripts, takes) | {"left": n_left}, make)


def _made_with(world: str, people: People, scripts: list[str], takes: int) -> dict[str, object]:
    """Return what a data set is made with; the built-in sensor's people give a script's takes."""
    return {
        "world": world,
        "people": [people.first, people.n_people, people.n_locked],
        "scripts": scripts,
        "takes": takes if world != EMULATED else None,
    }


def reduced(folder: Path, recipe: Recipe, n_jobs: int) -> Candidate:
    """Run all recordings of a data set once through the entry stage."""
    [candidate] = reduce_for(folder.absolute(), [recipe], LocalWorkers(n_jobs), tell)
    return candidate


def figures(folder: Path, recipe: Recipe, asked: argparse.Namespace) -> dict[str, Any]:
    """Teach and ask everybody who is not locked, and more left-handed people beside them."""
    recipe = recipe.model_copy(update={"head": HeadRecipe(enrol=True)})
    candidate = reduced(folder, recipe, asked.jobs)
    people = dict(candidate.corpus.participants)
    jobs = teach_jobs(fold_jobs(candidate.fit(), asked.folds)[: asked.turns])
    more = folder.with_name(folder.name + LEFT)
    held = list(jobs[0].held)
    if more.exists():
        others = reduced(more, recipe, asked.jobs)
        people |= others.corpus.participants
        held += others.fit().train
    # The model of the first fold has not seen them either.
    together = [replace(jobs[0], held=tuple(held)), *jobs[1:]]
    outcomes = run_jobs(together, LocalWorkers(asked.jobs))
    with_left = figures_in_turn(together, outcomes, people)
    outcomes[0] = replace(outcomes[0], scores=outcomes[0].scores[: len(jobs[0].held)])
    found = figures_in_turn(jobs, outcomes, people)
    for row, whole in zip(found["classes"], with_left["classes"], strict=True):
        row["left_handed"] = whole["left_handed"]
    found["by_class"] = {
        recipe.classes[job.without]: figures_of_owners(shown, {})
        for job, shown in zip(jobs, shown_in_turn(jobs, outcomes), strict=True)
        if job.without is not None
    }
    return found


def figures_elsewhere(
    world: str, folder: Path, recipe: Recipe, asked: argparse.Namespace
) -> Iterator[tuple[str, list[dict[str, Any]]]]:
    """Teach and ask people with two sessions: each network's figures, at home and elsewhere."""
    recipe = recipe.model_copy(update={"head": HeadRecipe(enrol=True)})
    place, script = WORLDS.get(world), SCRIPTS[recipe.name]
    sets = []
    for role, people in (
        (LEARNED, People(asked.people, 1, asked.first)),
        (ASKED, People(asked.elsewhere, 1, asked.first_asked)),
    ):
        one = folder.with_name(f"{folder.name}-{recipe.name}-{role.name}")
        record_role(one, place, script, role, people, tell)
        sets.append(reduced(one, recipe, asked.jobs))
    teachers, owners = sets
    people = {name: p.handedness or "" for name, p in owners.corpus.participants.items()}
    for form in teachers.forms:
        network = network_of(form.recipe)
        if network not in asked.networks:
            continue
        # Who is locked says what a data set is for; here all teach, and others are asked.
        fit = replace(form.fit(), train=form.main)
        tell(network)
        rival = rival_of(fit, asked.folds, tell) if asked.rival is None else asked.rival

        def lessons(new: int | None, fit: FitJob = fit, rival: float | None = rival) -> Lessons:
            which = "" if new is None else f" without {fit.recipe.classes[new]}"
            tell(f"fitting{which}")
            fitted = TeachJob("taught", fit, (), new).fit_job().run()
            names = sorted(people)[: None if new is None else asked.own]
            shown = [r for r in owners.main if r.recording.participant in names]
            return ask_both(fitted, shown, fit.recipe, new, rival, tell)

        known = Lessons((), ()) if asked.own_only else lessons(None)
        own = favoured_by_others({new: lessons(new) for new in asked.new})
        tables = []
        for at, (_, shown) in enumerate(known.places):
            of_new = {fit.recipe.classes[new]: one.places[at][1] for new, one in own.items()}
            together = [row for rows in of_new.values() for row in rows]
            tables.append(
                figures_of_owners([*shown, *together], people)
                | {"by_class": {c: figures_of_owners(rows, {}) for c, rows in of_new.items()}}
            )
        refuses = "16, as none were held out" if rival is None else f"{rival:.0f}"
        yield f"{network}, {world} (a take is refused from {refuses} nats on)", tables


def network_of(recipe: Recipe) -> str:
    """Return which network a recipe with one classifier fits."""
    return NETWORKS[bool(recipe.classifier.filters)]


def told(found: dict[str, Any] | None) -> str:
    """Return accuracy before and after, and the interval of the difference, in points."""
    if found is None:
        return "too few"
    low, high = (100 * end for end in found["difference"])
    return (
        f"{found['before']:.3f} to {found['after']:.3f} ({low:+.1f} to {high:+.1f} points, "
        f"{found['n_people']} people)"
    )


def print_known(found: dict[str, Any]) -> None:
    """Print what known classes gained."""
    for row in found["classes"]:
        print(
            f"  {row['n_shown']} of each: mean {told(row['mean'])}; worst tenth "
            f"{told(row['worst_tenth'])}; others {told(row['others'])}; left-handed "
            f"{told(row['left_handed'])}; {row['refused_per_session']:.2f} refused",
            flush=True,
        )


def print_all(found: dict[str, Any]) -> None:
    """Print what known classes gained, and what came of new gestures, of each as well."""
    print_known(found)
    print_new("any", found)
    for gesture, of_class in found["by_class"].items():
        print_new(gesture, of_class)


def print_new(which: str, found: dict[str, Any]) -> None:
    """Print what came of a new gesture."""
    new = [("beside known classes", row) for row in found["new_gesture"]]
    new += [("alone", row) for row in found["new_gesture_alone"]]
    for how, row in new:
        sure = "" if row["found"] is None else f", found {row['found']:.3f}"
        print(
            f"  new gesture ({which}) {how}, {row['n_shown']}: accepted of {row['n_accepted']} of "
            f"{row['n_people']} people{sure}; known classes {told(row['known_classes'])}",
            flush=True,
        )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--people", type=int, default=40, help="participants")
    parser.add_argument("--left", type=int, default=12, help="left-handed people more, in worlds")
    parser.add_argument("--first", type=int, default=1, help="number of the first: who they are")
    parser.add_argument("--worlds", nargs="*", choices=[*WORLDS, EMULATED],
                        default=["diffuser", EMULATED])  # fmt: skip
    parser.add_argument("--recipes", nargs="*", choices=list(SCRIPTS),
                        default=["finger_count", "static_shapes"])  # fmt: skip
    parser.add_argument("--repetitions", type=int, default=9, help="takes of each class, in worlds")
    parser.add_argument("--folds", type=int, default=6)
    parser.add_argument("--turns", type=int, default=6, help="folds that are taken, for quick work")
    parser.add_argument("--elsewhere", type=int, default=0, help="people with two sessions")
    parser.add_argument("--first-asked", type=int, default=601, help="number of the first of those")
    parser.add_argument("--new", type=int, nargs="*", default=[2, 3],
                        help="classes that are left out with those, by number")  # fmt: skip
    parser.add_argument("--own", type=int, help="of those, how many show own gestures: all without")
    parser.add_argument("--own-only", action="store_true", help="ask of own gestures alone")
    parser.add_argument("--rival", type=float, help="nats that an earlier run chose: not anew")
    parser.add_argument("--networks", nargs="*", choices=NETWORKS, default=list(NETWORKS))
    parser.add_argument("--whole", action="store_true", help="all figures of those, class by class")
    parser.add_argument("--data", type=Path, help="folder of data sets by world")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    asked = parser.parse_args()
    if asked.elsewhere and asked.first <= asked.first_asked < asked.first + asked.people:
        parser.error("--first-asked is among the people who are learned from")
    with tempfile.TemporaryDirectory() as scratch:
        for world, name in itertools.product(asked.worlds, asked.recipes):
            folder = (asked.data or Path(scratch)) / world
            try:
                print_tables(world, folder, load_recipe(name), asked)
            except Error as error:
                parser.exit(error.exit_code, f"{error}\n")


def print_tables(world: str, folder: Path, recipe: Recipe, asked: argparse.Namespace) -> None:
    """Print what is asked for of a world and a recipe."""
    tell(f"{world}, {recipe.name}")
    (print_elsewhere if asked.elsewhere else print_folds)(world, folder, recipe, asked)


def print_elsewhere(world: str, folder: Path, recipe: Recipe, asked: argparse.Namespace) -> None:
    """Print the lines of MEASURED.md's tables, of people with two sessions."""
    for network, tables in figures_elsewhere(world, folder, recipe, asked):
        print(f"{recipe.name}, {network}: {asked.people} learned from, {asked.elsewhere} asked")
        lines = known_lines(network, *tables) + left_lines(network, *tables)
        for alone in (False, True):
            lines += own_lines(network, *tables, alone)
        print("\n".join(lines), flush=True)
        if asked.whole:
            for where, found in zip(("own session", "elsewhere"), tables, strict=True):
                print(where)
                print_all(found)


def print_folds(world: str, folder: Path, recipe: Recipe, asked: argparse.Namespace) -> None:
    """Print the tables of people held out in turn, who have one session."""
    people = People(asked.people, max(1, asked.people // 10), asked.first)
    scripts = sorted({SCRIPTS[name] for name in asked.recipes})
    record(world, folder, people, scripts, asked.repetitions)
    if world != EMULATED:
        left = folder.with_name(folder.name + LEFT)
        record_left(world, left, people, asked.left, scripts, asked.repetitions)
    began = time.perf_counter()
    found = figures(folder, recipe, asked)
    print(f"{world} {recipe.name} ({time.perf_counter() - began:.0f} s)")
    print_all(found)


if __name__ == "__main__":
    main()
