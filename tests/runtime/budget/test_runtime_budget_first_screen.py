"""What is read first: figures that a decision hangs on, the letters' key, and charts on paper."""

from __future__ import annotations

import json
import re
import shutil
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest
from budget_models import CORES, write_folder

from runtime.budget import Choice, Computation, budget, write_budget
from runtime.budget.page.first_screen import headline, headline_of_all
from runtime.budget.page.report import budget_page, page_style
from runtime.budget.verdict.margin import Margin
from runtime.files import fingerprint, read_fingerprints, write_fingerprints


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a model that everybody was asked about in turn, and that was run on streams."""
    path = write_folder(tmp_path_factory.mktemp("models") / "dynamic")
    found = json.loads((path / "evaluation.json").read_text())
    for key, value, n in (("fixed", 0.977, 3), ("everybody", 0.934, 9)):
        found[key] = {
            "accuracy": {"value": value, "low": value - 0.1, "high": 0.99, "n_participants": n}
        }
    found["events"] = {
        "false_events_per_hour": {
            "value": 0.0, "low": 0.0, "high": 67.7, "upper_95": 54.99, "n_events": 0,
            "hours": 0.054481, "counted_on": "background",
        }
    }  # fmt: skip
    (path / "evaluation.json").write_text(json.dumps(found))
    return path


@pytest.fixture(scope="module")
def priced(folder: Path) -> Any:
    return budget(folder, cores=CORES)


def first_part(text: str) -> str:
    """Return a page's words up to its first chart or chapter."""
    words = re.sub(r"<sup.*?</sup>", "", text[text.index("<main>") :])
    words = re.sub(r"<[^>]+>", " ", words.split("A day here has")[0])
    return " ".join(words.replace("\u00a0", " ").split())


def test_the_first_screen_holds_what_a_decision_hangs_on(priced: Any) -> None:
    """Minutes of a charge, per cent a day, power, recognition, and how much is measured."""
    words = first_part(budget_page([priced]))
    average, percent = priced.average_uw, priced.verdict.percent_per_day
    minutes = priced.verdict.minutes_lost
    for value, unit in ((average, "µW"), (percent, "%"), (minutes, "min")):
        low, median, high = (f"{x:.3g}" for x in (value.low, value.median, value.high))
        assert f"{median} {unit} ({low} to {high})" in words
    assert f"{average.typical:.3g} µW at typical inputs" in words
    n = sum(x.kind == "measured" for x in priced.inputs.values())
    assert f"{n} of {len(priced.inputs)} measured" in words
    assert "93.4 % (83.4 to 99.0) everybody in turn, 9 people" in words
    assert "locked ones alone, 3 people: 97.7 %" in words
    assert "0 an hour, at most 55" in words and "0 in 3 min 16 s of everyday time" in words


def test_a_budget_s_json_holds_the_first_screen(priced: Any) -> None:
    """Recognition of everybody in turn and of the locked, false events, and kinds of inputs."""
    data = priced.to_json()
    found = data["recognition"]
    assert (found["everybody_in_turn"]["value"], found["locked"]["value"]) == (0.934, 0.977)
    assert found["everybody_in_turn"]["n_participants"] == 9
    assert found["everybody_in_turn_four_quadrant"] is None
    assert found["false_events_per_hour"] == {
        "value": 0.0, "at_most": 54.99, "hours": 0.054481,
        "counted": "0 in 3 min 16 s of everyday time",
    }  # fmt: skip
    assert sum(data["inputs_by_kind"].values()) == len(data["inputs"])


def test_the_headline_is_the_median(priced: Any) -> None:
    """The number shown first is the 50th percentile of its own draws, not the typical value."""
    average = priced.average_uw
    assert average.low < average.median < average.high
    assert average.median != average.typical
    data = priced.to_json()
    assert data["average_uw"]["median"] == average.median
    assert data["monte_carlo"]["headline"] == "median"


def test_the_key_to_the_letters_stands_at_their_first_use(priced: Any) -> None:
    """All letters are told before the first number that has one, for one model and for several."""
    for text in (budget_page([priced]), budget_page([priced, priced])):
        assert text.index("Letters say where a number comes from") < text.index('<span class="n"')
        key = text[text.index("Letters say") :].split("</p>")[0]
        kinds = ("measured", "counted", "published", "setting", "from memory", "invented")
        assert all(kind in key for kind in (*kinds, "computed"))
        assert text.count("Letters say where") == 1


def test_several_models_open_with_the_same_figures(priced: Any, folder: Path) -> None:
    """Row by row the first figures of each model, and the verdict of all in the title."""
    text = budget_page([priced, priced])
    assert "Both hidden: each takes less than 0.1 % of the battery a day." in text
    rows = re.findall(r'<th scope="row">(.*?)</th>', text)
    assert rows[:9] == [
        "verdict", "a charge is shorter by", "of the battery, each day", "average power",
        "inputs measured", "recognised, everybody in turn", "recognised, locked recordings",
        "four-quadrant baseline", "false events",
    ]  # fmt: skip
    watch = budget(folder, cores=CORES, choice=Choice(host="watch"))
    assert headline_of_all([priced, watch], ["a", "b"]) == "a hidden; b visible."


def test_the_title_says_what_the_word_means(folder: Path) -> None:
    """Hidden is less than the margin, visible more, and undecided may be either."""
    said = {}
    for margin in (Margin(5.0, "min/charge"), Margin(1e-3, "mW"), None):
        verdict = budget(folder, cores=CORES, computation=Computation(margin=margin)).verdict
        said[verdict.word, verdict.margin.unit] = headline(verdict)
    assert said == {
        ("hidden", "min/charge"): "A charge lasts less than 5 min shorter.",
        ("visible", "mW"): "It draws more than 0.001 mW.",
        ("hidden", "%/day"): "It takes less than 0.1 % of the battery a day.",
    }


def _luminance(colour: str) -> float:
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def _contrast(a: str, b: str) -> float:
    low, high = sorted((_luminance(a), _luminance(b)))
    return (high + 0.05) / (low + 0.05)


def test_neighbours_in_a_chart_differ_three_to_one() -> None:
    """Pieces of a bar that may touch contrast 3:1, and what is drawn alone does so with the paper.

    Relative luminance and contrast ratio by WCAG 2.2, section 1.4.11 and its glossary, 2023.
    """
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", page_style().split("@media")[0]))
    for a, b in combinations(("first", "second", "third"), 2):
        assert _contrast(colours[a], colours[b]) >= 3.0, (a, b)
    for alone in ("first", "third", "interval", "ink"):
        assert _contrast(colours[alone], colours["paper"]) >= 3.0, alone
        assert _contrast(colours[alone], "#ffffff") >= 3.0, alone
    # The lightest piece is told from the paper by its outline, in the colour of the ink.
    assert ".bar i, .key i { box-shadow: inset 0 0 0 1px var(--ink); }" in page_style()


def test_the_card_has_the_headline_once(folder: Path, priced: Any, tmp_path: Path) -> None:
    """A model's card says median, interval and verdict; a second budget takes the first's place."""
    copy = tmp_path / "model"
    shutil.copytree(folder, copy)
    card = copy / "card.md"
    write_budget(priced, copy)
    assert not card.exists()  # nobody's card is made up
    card.write_text("# dynamic\n\n## Events\n\nFew.\n\n## Limits\n\n- None.\n", "utf-8")
    write_fingerprints(copy)
    write_budget(priced, copy)
    assert read_fingerprints(copy)["card.md"] == fingerprint(card)
    first = card.read_text("utf-8")
    assert first.index("## Events") < first.index("## Power") < first.index("## Limits")
    average = priced.average_uw
    assert f"{average.median:.3g} ({average.low:.3g} to {average.high:.3g}) µW" in first
    assert priced.verdict.sentence in first
    write_budget(budget(folder, cores=CORES, choice=Choice(host="watch")), copy)
    second = card.read_text("utf-8")
    assert second.count("## Power") == 1 and "in a smart watch" in second
    assert second.startswith("# dynamic") and second.endswith("- None.\n")
    card.write_bytes(b"\xff\xfe")
    write_budget(priced, copy)
    assert card.read_bytes() == b"\xff\xfe"


@pytest.mark.parametrize("name", ["dynamic", "finger_count", "range"])
def test_the_readme_says_what_the_models_budgets_say(name: str) -> None:
    """The README's figures of power are those of the models beside it."""
    house = Path(__file__).parents[3]
    data = json.loads((house / "models" / name / "budget.json").read_text("utf-8"))
    average, use = data["average_uw"], data["host_verdict"]
    parts = {part: x["total"]["median"] for part, x in data["average_uw_by_part"].items()}
    sentence = (
        f"- **{name}**: {average['median']:.1f} µW on average over a day (median; 90 % interval "
        f"{average['low']:.1f} to {average['high']:.1f}), {use['percent_per_day']['median']:.3g} % "
        f"of a phone's battery a day, a charge {use['minutes_lost']['median']:.2g} minutes "
        f"shorter. {use['word'].capitalize()}: the upper 95 % bound lies below the margin of 0.1 % "
        f"of the battery a day (the default). Of that, medians: LED {parts['LED']:.1f}, its "
        f"driver {parts['LED driver']:.1f}, sleep {parts['sleep and standby']:.1f}, compute "
        f"{parts['compute']:.1f} µW; at typical inputs all parts add up to "
        f"{average['typical']:.1f}."
    )
    assert sentence in (house / "README.md").read_text("utf-8").splitlines()
