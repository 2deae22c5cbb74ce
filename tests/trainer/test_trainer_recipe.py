"""Recipes: what they accept, and where they say a fault is."""

from __future__ import annotations

from pathlib import Path

import pytest

from runtime.errors import FormatError, UsageError
from trainer.recipe import built_in_recipes, load_recipe, parse_recipe

GOOD = """\
name = "two"
task = "two_gestures"
classes = ["left", "right"]
other = ["idle", "distract_*"]

[features]
bins = [4, 4]
"""


def test_built_in_recipes_are_valid() -> None:
    """Every recipe in the package loads by its name."""
    names = list(built_in_recipes())
    assert {"dynamic", "finger_count", "static_shapes", "subtle"} <= set(names)
    for name in names:
        assert load_recipe(name).name == name


def test_trial_types_map_to_classes() -> None:
    """Classes come first, patterns of the key other give the last class, the rest is unknown."""
    recipe = parse_recipe(GOOD, "two")
    assert recipe.answers == ("left", "right", "other")
    assert [recipe.class_index(t) for t in ("right", "distract_wave", "idle", "up")] == [
        1,
        2,
        2,
        None,
    ]


def test_background_is_other_but_no_take() -> None:
    """Everyday time is learned as the class other, and can be told from takes of that class."""
    recipe = parse_recipe('background = ["everyday_*"]\n' + GOOD, "two")
    assert recipe.answers == ("left", "right", "other")
    assert recipe.class_index("everyday_walk") == 2
    kinds = ("everyday_walk", "idle", "left")
    assert [recipe.is_background(kind) for kind in kinds] == [True, False, False]
    alone = GOOD.replace('other = ["idle", "distract_*"]', 'background = ["everyday_*"]')
    assert parse_recipe(alone, "two").answers == ("left", "right", "other")


def test_a_class_is_not_other_as_well() -> None:
    """A pattern of other or background that matches a class is refused."""
    with pytest.raises(FormatError, match="left"):
        parse_recipe('background = ["le*"]\n' + GOOD, "two")


@pytest.mark.parametrize(("text", "layers"), [("hidden = 9", (9,)), ("hidden = [9, 4]", (9, 4))])
def test_hidden_layers_are_a_number_or_a_list(text: str, layers: tuple[int, ...]) -> None:
    """One hidden layer may be given as a number, several as a list."""
    assert parse_recipe(f"{GOOD}[classifier]\n{text}", "two").classifier.hidden == layers


@pytest.mark.parametrize(
    ("addition", "line", "key"),
    [
        ("bin = 3", 8, "features.bin"),
        ("directions = 0", 8, "features.directions"),
        ('directions = "8"', 8, "features.directions"),
        ("\n[classifier]\nhidden = 9000", 10, "classifier.hidden"),
        ("\n[classifier]\nhidden = [8, 0]", 10, "classifier.hidden"),
        ("[classifer]\nhidden = 9", 8, "classifer"),
        ("[quantisation]\nclip_quantile = nan", 9, "quantisation.clip_quantile"),
        ("[decision]\nmax_false_per_hour = -1.0", 9, "decision.max_false_per_hour"),
        ("[evaluation]\ncollar_s = 0.0", 9, "evaluation.collar_s"),
        ("[evaluation]\noffset_share = 2.0", 9, "evaluation.offset_share"),
        ("[evaluation]\nmax_latency_s = 0.0", 9, "evaluation.max_latency_s"),
    ],
)
def test_a_fault_names_key_and_line(addition: str, line: int, key: str) -> None:
    """An unknown key, a wrong type and a value out of range are told with key and line."""
    with pytest.raises(FormatError) as caught:
        parse_recipe(GOOD + addition, "r.toml")
    assert f"r.toml, line {line}: {key}" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_key_is_named() -> None:
    """A key that is not there, and has no value by itself, is told."""
    with pytest.raises(FormatError, match="task: key is missing"):
        parse_recipe(GOOD.replace('task = "two_gestures"', ""), "r.toml")


def test_deep_nesting_is_refused() -> None:
    """Text that nests deeper than any reader goes is one line, not a crash."""
    with pytest.raises(FormatError):
        parse_recipe("a = " + "[" * 20_000, "r.toml")


def test_text_that_is_not_toml_names_the_line() -> None:
    """A syntax fault is one line with its place."""
    with pytest.raises(FormatError, match="line 8"):
        parse_recipe(GOOD + "bins = = 3", "r.toml")


@pytest.mark.parametrize("split", ["windows", "random", "random_windows"])
def test_a_random_window_split_is_refused(split: str) -> None:
    """Windows are never split at random; the message says why."""
    with pytest.raises(UsageError, match="measures memory"):
        parse_recipe(GOOD + f'[evaluation]\nsplit = "{split}"', "r.toml")


def test_a_missing_recipe_is_a_usage_error(tmp_path: Path) -> None:
    """A path that is neither a file nor a built-in name lists the names."""
    with pytest.raises(UsageError, match="dynamic"):
        load_recipe(tmp_path / "none.toml")


def test_bytes_that_are_not_text_are_refused(tmp_path: Path) -> None:
    """A file that is not UTF-8, or far too long for a recipe, is a format error."""
    path = tmp_path / "r.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(FormatError, match="UTF-8"):
        load_recipe(path)
    path.write_bytes(b"#" * 100_000)
    with pytest.raises(FormatError, match="size"):
        load_recipe(path)


def test_the_digest_ignores_comments() -> None:
    """Two recipes that say the same have the same digest, others have not."""
    same = parse_recipe("# note\n" + GOOD, "a").digest()
    assert same == parse_recipe(GOOD, "b").digest()
    assert same != parse_recipe(GOOD.replace("[4, 4]", "[4, 2]"), "c").digest()


def test_a_head_that_runs_on_every_frame_counts_as_none() -> None:
    """A head's step counts in the digest, in frames of a score and in time, where it is above 1."""
    plain, asked = (parse_recipe(GOOD + more, "x") for more in ("", "[head]\nevery = 1\n"))
    seldom = parse_recipe("frame_rate_hz = 30.0\n" + GOOD + "[head]\nevery = 3\n", "x")
    assert plain.digest() == asked.digest()
    assert seldom.digest() != parse_recipe("frame_rate_hz = 30.0\n" + GOOD, "x").digest()
    assert (plain.frames_of_score, seldom.frames_of_score) == (0, 2)
    assert [seldom.at(rate).head.every for rate in (10.0, 15.0, 60.0, 900.0)] == [1, 2, 6, 32]
    assert parse_recipe("frame_rate_hz = 30.0\n" + GOOD, "x").at(90.0).head.every == 1
    for wrong in ("0", "33", "1.5", "true"):
        with pytest.raises(FormatError, match=r"head\.every"):
            parse_recipe(GOOD + f"[head]\nevery = {wrong}\n", "x")


LIKE = """\
name = "mine"
task = "mine"
like = "dynamic"
classes = ["left", "right"]

[features]
bins = [6, 6]
"""


def test_a_recipe_like_a_built_in_one_differs_by_what_it_says() -> None:
    """What a recipe leaves out is as in the one that it is like, but for its name and words."""
    ours, theirs = parse_recipe(LIKE, "mine"), load_recipe("dynamic")
    assert ours.features == theirs.features.model_copy(update={"bins": (6, 6)})
    for table in ("classifier", "decision", "quantisation", "evaluation", "frame_rate_hz", "seed"):
        assert getattr(ours, table) == getattr(theirs, table)
    assert (ours.name, ours.classes, ours.other, ours.background) == (
        "mine",
        ("left", "right"),
        (),
        (),
    )
    assert parse_recipe(LIKE.replace("[features]\nbins = [6, 6]\n", ""), "mine").features == (
        theirs.features
    )


@pytest.mark.parametrize(
    ("was", "becomes", "words"),
    [
        ('"dynamic"', '"dynamics"', r"mine, line 3: like is 'dynamics', expected one of count"),
        ('"dynamic"', "3", "line 3: like is 3"),
        ('task = "mine"\n', "", "task: key is missing"),
        ("[features]\nbins = [6, 6]", "features = 3", "line 6: features is 3"),
    ],
)
def test_a_recipe_like_none_is_refused(was: str, becomes: str, words: str) -> None:
    """A built-in recipe that there is not, and words that are missing, are said with their line."""
    with pytest.raises(FormatError, match=words):
        parse_recipe(LIKE.replace(was, becomes), "mine")
