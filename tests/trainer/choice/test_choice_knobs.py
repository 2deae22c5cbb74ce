"""Knobs: what is tried follows from one description."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from runtime.errors import FormatError, UsageError
from runtime.sensor import Sensor
from trainer.choice.tried.knobs import load_knobs, options_of, watching_options
from trainer.choice.tried.settings import device_of, tried_of
from trainer.recipe import load_recipe

SENSOR = Sensor("small", 16, 16)


def _knobs(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "knobs.toml"
    path.write_text(text, "utf-8")
    return path


def test_the_built_in_knobs_begin_with_what_was_recorded() -> None:
    """The first setting tried is the recorded one, and each is tried once."""
    tried = tried_of(options_of(load_knobs(), [load_recipe("dynamic")]), SENSOR)
    assert tried[0].sensor == SENSOR
    assert 40 <= len(tried) <= 80
    assert len({one.name for one in tried}) == len(tried)


def test_recipes_that_are_one_at_a_rate_are_tried_once(tmp_path: Path) -> None:
    """At half the rate a classifier that runs every other frame is the one that runs on each."""
    path = _knobs(
        tmp_path,
        '[active.rate_divisor]\nvalues = [1, 2]\n[recipe."head.every"]\nvalues = [1, 2]\n',
    )
    tried = tried_of(options_of(load_knobs(path), [load_recipe("dynamic")]), SENSOR)
    assert [(one.option.rate_divisor, one.option.recipe.head.every) for one in tried] == [
        (1, 1), (2, 1), (1, 2),
    ]  # fmt: skip


def test_a_knob_with_a_condition_is_turned_only_where_it_holds(tmp_path: Path) -> None:
    """Where a condition does not hold, a knob stands at its first value."""
    path = _knobs(
        tmp_path,
        "[active.led_share]\nvalues = [1.0, 0.5]\n[active.exposure_share]\nvalues = [1.0, 0.5]\n"
        "when = { led_share = [0.5] }\n",
    )
    options = options_of(load_knobs(path), [load_recipe("dynamic")])
    assert [(o.led_share, o.exposure_share) for o in options] == [(1, 1), (0.5, 1), (0.5, 0.5)]


def test_a_recipes_key_is_a_knob_like_any_other(tmp_path: Path) -> None:
    """Keys of a recipe are turned by their dotted names, and checked as a recipe is."""
    path = _knobs(tmp_path, '[recipe."features.bins"]\nvalues = [[4, 4], [8, 8]]\n')
    options = options_of(load_knobs(path), [load_recipe("dynamic")])
    assert [o.recipe.features.bins for o in options] == [(4, 4), (8, 8)]
    assert len({one.name for one in tried_of(options, SENSOR)}) == 2


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[active.led_share]\nvalues = [1.5]", "led_share.values.0 is 1.5, expected at most 1"),
        ("[active.led_share]\nvalues = []", "expected a list of at least 1"),
        ("[active.lamp]\nvalues = [1.0]", "active.lamp: unknown key"),
        (
            "[active.led_share]\nvalues = [1.0]\nwhen = { lamp = [1.0] }",
            "led_share.when.lamp: no other knob of this table",
        ),
    ],
)
def test_a_faulty_description_is_told_by_line_and_key(
    tmp_path: Path, text: str, message: str
) -> None:
    """A description that cannot be is refused with file, line and key."""
    with pytest.raises(FormatError) as caught:
        load_knobs(_knobs(tmp_path, text))
    assert message in str(caught.value)
    assert "line" in str(caught.value)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('[recipe."features.lamp"]\nvalues = [1]', "recipe.features.lamp is no key"),
        ('[recipe."classifier.epochs"]\nvalues = [0]', "recipe.classifier.epochs is 0"),
        (
            "[active.led_share]\nvalues = [" + "1.0, 0.9, " * 16 + "]\n[active.rows_share]\nvalues"
            " = [" + "1.0, 0.9, " * 16 + "]\n[active.bits_at_most]\nvalues = [16, 12, 10, 8]",
            "settings to try is 4096, expected at most 2000",
        ),
    ],
)
def test_a_knob_that_a_recipe_does_not_have_is_refused(
    tmp_path: Path, text: str, message: str
) -> None:
    """Keys and values are held to the recipe's own rules, and there are not too many."""
    with pytest.raises(UsageError) as caught:
        options_of(load_knobs(_knobs(tmp_path, text)), [load_recipe("dynamic")])
    assert message in str(caught.value)


def test_bits_that_cannot_be_foretold_are_not_tried(tmp_path: Path) -> None:
    """Of 16 to 4 bits a 12-bit sensor of little noise is tried at those it can tell of."""
    path = _knobs(tmp_path, "[active.bits_at_most]\nvalues = [16, 11, 10, 9, 7, 4]")
    options = options_of(load_knobs(path), [load_recipe("dynamic")])
    recorded = Sensor("bench", 8, 8)
    assert [one.sensor.bit_depth for one in tried_of(options, recorded)] == [12, 11, 10]
    quiet = replace(recorded, read_noise_e=2.0)
    assert [one.sensor.bit_depth for one in tried_of(options, quiet)] == [12]
    noisy = replace(recorded, read_noise_e=400.0)
    assert [one.sensor.bit_depth for one in tried_of(options, noisy)] == [12, 11, 10, 9, 7, 4]


def test_a_knob_out_of_the_sensors_range_is_refused_in_one_line(tmp_path: Path) -> None:
    """A rate that no sensor has is told before anything is fitted."""
    path = _knobs(tmp_path, "[active.rate_divisor]\nvalues = [1, 0]")
    with pytest.raises(FormatError, match=r"rate_divisor\.values\.1 is 0, expected at least 1"):
        load_knobs(path)


def test_the_device_watches_by_shares_of_what_was_recorded() -> None:
    """Rows and LED current of the watching state are shares of the recorded ones."""
    option = watching_options(load_knobs())[0]
    device = device_of(SENSOR, SENSOR, option)
    assert device.watching_rows == 8
    assert device.watching_led_current_ma == pytest.approx(20.0)
    assert device.frame_rate_hz == SENSOR.frame_rate_hz
