"""All attacks on people, at every step of a chain and on the model's files."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from trainer.audit.chain import alike_before
from trainer.audit.findings import Finding
from trainer.audit.people.attributes import tell_attributes
from trainer.audit.people.enrolled import seen_at
from trainer.audit.people.identity import identify
from trainer.audit.people.membership import (
    MODEL_FILES,
    OF_A_PERSON,
    QUESTION,
    attack_membership,
    by_threshold,
    members_of,
    others_by_name,
)
from trainer.audit.people.rates import cannot_tell
from trainer.audit.people.same_person import verify_people
from trainer.audit.people.shadows import RATIO, SHADOWS, recipe_of, shadow_attack
from trainer.audit.steps import ChainTakes
from trainer.corpus.noted import columns_of_people
from trainer.recipe import Recipe
from trainer.work.jobs import Workers

__all__ = ["Attacked", "attack_people"]

Notify = Callable[[str], None]
HOLDS = "the model's files, and takes of a person with what was asked for"


@dataclass(frozen=True, slots=True)
class Attacked:
    """What is attacked.

    Parameters
    ----------
    takes : ChainTakes
        What every step held of each take.
    data, model_dir : pathlib.Path
        Data set that the takes are of, and folder of the model.
    recipe : Recipe or None
        That the model was made by, for shadow models; found among the built-in ones without.
    others : ChainTakes or None
        Of further people of the data set, of whom nobody asks: attackers learn from them.
    """

    takes: ChainTakes
    data: Path
    model_dir: Path
    recipe: Recipe | None = None
    others: ChainTakes | None = None


def attack_people(
    attacked: Attacked,
    workers: Workers | None = None,
    tell: Notify = lambda _: None,
    *,
    shadows: bool = True,
) -> list[Finding]:
    """Attack identity, attributes and membership; return every attacker's findings.

    Parameters
    ----------
    attacked : Attacked
    workers : Workers, optional
        Who refits shadow models; this process by default.
    tell : callable, optional
        Is told how far it is.
    shadows : bool
        Whether to refit the model's recipe for membership; without it thresholds alone are tried.

    Raises
    ------
    FormatError
        A table of the data set or the model's ``evaluation.json`` is damaged.
    """
    takes = attacked.takes
    found: list[Finding] = []
    attributes = columns_of_people(attacked.data)
    # The strongest at a step is sought at those that follow from it, too: all hold together.
    every = (alike_before(takes.frames, takes.steps, step) for step in takes.steps)
    n_steps = sum(before is None for before in every)
    for step in takes.steps:
        tell(f"who it is, told from {step.name}")
        before = alike_before(takes.frames, takes.steps, step)
        if before is not None:
            alike = [f for f in found if f.step == before.name]
            found += [dataclasses.replace(finding, step=step.name) for finding in alike]
            continue
        seen = seen_at(takes, step.name)
        found += identify(seen, step.name, n_steps)
        found += verify_people(seen, step.name, n_steps)
        others = None if attacked.others is None else seen_at(attacked.others, step.name)
        found += tell_attributes(seen, attributes, step.name, others, n_steps)
    tell("who was trained on")
    return [*found, *_membership(attacked, workers, tell, shadows)]


def _membership(
    attacked: Attacked, workers: Workers | None, tell: Notify, shadows: bool
) -> list[Finding]:
    takes = attacked.takes
    members = members_of(attacked.model_dir, takes.participants.tolist())
    why_not = ""
    if not takes.model.classes:
        why_not = "the model answers no classes, of which a loss could be told"
    elif members is None:
        why_not = "the model's folder does not say who was trained on"
    else:
        why_not = members.why_not or _another(others_by_name(attacked.model_dir, takes))
    if why_not or members is None:
        return [cannot_tell(MODEL_FILES, QUESTION, takes.n_people, why_not, OF_A_PERSON)]
    recipe = attacked.recipe or recipe_of(takes.model)
    without = _no_shadows(takes, recipe) if shadows else "nobody asked for shadow models"
    if without or recipe is None:
        known = by_threshold(takes)
        knows = dict.fromkeys(known, f"{HOLDS}; {without}")
    else:
        known = shadow_attack(takes.model, attacked.data, recipe, workers, tell)
        knows = dict.fromkeys(known, HOLDS)
        refits = f"{HOLDS}; its recipe, and takes of others to refit it to"
        knows |= dict.fromkeys((SHADOWS, RATIO), refits)
        members = members_of(attacked.model_dir, list(known[SHADOWS])) or members
    found = attack_membership(known, members, knows)
    if without and shadows:  # the strongest attackers that are known were not among these
        found.append(cannot_tell(MODEL_FILES, QUESTION, takes.n_people, without, OF_A_PERSON))
    return found


def _another(people: Sequence[str]) -> str:
    """Say why names tell nothing: somebody else was evaluated by one of them; empty for nobody."""
    if not people:
        return ""
    first = (
        f"{people[0]} has" if len(people) == 1 else f"{people[0]} and {len(people) - 1} more have"
    )
    return f"{first} other takes than those evaluated under the same name: they are somebody else"


def _no_shadows(takes: ChainTakes, recipe: Recipe | None) -> str:
    """Say why no shadow models can be fitted, for a finding must tell what was not tried."""
    if recipe is None:
        return "its recipe is not known, so that no shadow models were tried"
    locked = {person.locked for person in takes.people.values()}
    if len(locked) < 2:
        return "no shadow models were tried, as training needs people who are locked, and others"
    return ""
