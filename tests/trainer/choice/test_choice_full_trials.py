"""What settings recognise of people held out in turn."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from trainer.choice.tried import full_trials
from trainer.recipe import OTHER


def test_margins_are_chosen_without_the_people_they_judge(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each fold's people are judged by margins of all others; a model has those of everybody."""
    judged: list[tuple[list[str], str]] = []

    def chosen(streams: Sequence[Any], _: Any, left_out: Sequence[Collection[int]]) -> list[str]:
        names = [stream.participant for stream in streams]
        return ["".join(n for i, n in enumerate(names) if i not in out) for out in left_out]

    def matched(streams: Sequence[Any], _: Any, margins: str) -> list[Any]:
        judged.append(([stream.participant for stream in streams], margins))
        return [SimpleNamespace(stream=s, counts=(1, 1, 2)) for s in streams]

    def stream(who: str, *_: Any) -> Any:
        takes = SimpleNamespace(labels=np.zeros(2), answers=np.zeros(2))
        return SimpleNamespace(participant=who, takes=takes, references=("one",))

    monkeypatch.setattr(full_trials, "stream_of", stream)
    monkeypatch.setattr(full_trials, "margins_without", chosen)
    monkeypatch.setattr(full_trials, "match_streams", matched)
    monkeypatch.setattr(full_trials, "false_rate", lambda _: None)
    recipe = SimpleNamespace(answers=("swipe", OTHER))
    folds: list[Any] = [
        SimpleNamespace(held=held, fit=SimpleNamespace(recipe=recipe)) for held in ("AC", "B")
    ]
    outcomes: list[Any] = [SimpleNamespace(scores=held, score_unit=1.0) for held in ("ac", "b")]
    one: Any = SimpleNamespace(sensor=None)
    found = full_trials._recognised(one, folds, outcomes)
    assert judged == [(["A", "C"], "B"), (["B"], "AC")]
    assert found.margins == "ACB"  # type: ignore[comparison-overlap]
    assert found.event_counts is not None
    assert found.event_counts.tolist() == [[1, 1, 2]] * 3
    judged.clear()
    full_trials._recognised(one, folds, outcomes, "given")  # type: ignore[arg-type]
    assert [margins for _, margins in judged] == ["given", "given"]
