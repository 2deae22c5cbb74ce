"""The cheapest electronics for a model: which are looked at, and that their prices are true."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from budget_models import write_folder
from click.testing import CliRunner

from runtime.budget import Budget, Choice, Computation, budget, with_cheapest_parts
from runtime.budget.inputs.library import Driver, Library, Mcu, load_parts
from runtime.budget.price.parts_price import VARIED
from runtime.cli import budget as budget_command
from runtime.errors import UsageError

CORES = ("cortex-m33",)
FEW = Computation(n_draws=2000, keep_profiles=True)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_folder(tmp_path_factory.mktemp("cheapest") / "dynamic")


@pytest.fixture(scope="module")
def priced(folder: Path) -> Budget:
    found = budget(folder, cores=CORES, computation=FEW)
    return with_cheapest_parts(found, folder, computation=FEW, cores=CORES)


def test_each_controller_is_offered_with_its_cheapest_parts(folder: Path, priced: Budget) -> None:
    """A row's price is that of a budget with its parts, and no other parts are cheaper by it."""
    library = load_parts()
    rows = priced.cheapest_parts
    able = {n for n in library.names("mcu") if library.get(Mcu, n).core in CORES}
    assert {row.names["mcu"] for row in rows} <= able
    assert [r.average_uw.median for r in rows] == sorted(r.average_uw.median for r in rows)
    first = rows[0]
    choice = replace(priced.choice, **first.names)
    again = budget(folder, choice=choice, cores=CORES, computation=FEW)
    assert again.average_uw == first.average_uw
    assert first.titles == {kind: again.titles[kind] for kind in VARIED}
    for changed in ({"driver": "linear"}, {"regulator": "linear"}, {"sensor_link": "i2c"}):
        other = budget(folder, choice=replace(choice, **changed), cores=CORES, computation=FEW)
        assert other.average_uw.median >= first.average_uw.median
    told = priced.to_json()["cheapest_parts"][0]
    assert told == {"parts": first.names, "average_uw": first.average_uw.to_json()}


def test_no_part_that_changes_the_light_is_offered(priced: Budget) -> None:
    """Drivers of two LEDs, and none at all, are no choice for what was seen with one."""
    library: Library = load_parts()
    drivers = {row.names["driver"] for row in priced.cheapest_parts}
    assert {library.get(Driver, name).leds for name in drivers} == {1}


def test_what_lacks_time_flash_or_memory_is_not_offered(folder: Path, tmp_path: Path) -> None:
    """A controller that would be the cheapest by far is no choice where it cannot hold a model."""
    small = tmp_path / "small.toml"
    small.write_text("[mcu.stm32u385]\nflash_kb = 1\n")
    found = budget(folder, cores=CORES, parts=small, computation=FEW)
    rows = with_cheapest_parts(found, folder, small, computation=FEW, cores=CORES).cheapest_parts
    assert rows and all(row.names["mcu"] != "stm32u385" for row in rows)


def test_a_driver_of_no_led_lights_none(folder: Path) -> None:
    """Where an LED is lit, a price without its driver is refused in one line."""
    with pytest.raises(UsageError, match="driver is none, which drives no LED") as refused:
        budget(folder, choice=Choice(driver="none"), cores=CORES, computation=FEW)
    assert "lit while watching and active" in str(refused.value)


def test_a_driver_of_two_leds_is_told_of(folder: Path) -> None:
    """Two LEDs in series give less loss than one, and a caution: recordings were lit by one."""
    one = budget(folder, choice=Choice(driver="linear"), cores=CORES, computation=FEW)
    two = budget(folder, choice=Choice(driver="series"), cores=CORES, computation=FEW)
    assert two.part_uw["LED"].typical == one.part_uw["LED"].typical
    assert two.part_uw["LED driver"].typical < one.part_uw["LED driver"].typical
    assert [r.current_ma for r in two.led_ratings] == [r.current_ma / 2 for r in one.led_ratings]
    assert any("2 LEDs" in sentence for sentence in two.cautions)
    assert not any("LEDs" in sentence for sentence in one.cautions)


def test_the_command_says_which_parts_draw_least(
    folder: Path, priced: Budget, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One line a controller, the cheapest first, and nothing is written into the model's folder."""
    monkeypatch.setattr(
        "runtime.budget.cheapest_parts.executable_cores", lambda compiler: (CORES, ())
    )
    before = sorted(path.name for path in folder.iterdir())
    said = CliRunner().invoke(budget_command, [str(folder), "--cheapest"])
    assert said.exit_code == 0, said.output
    first = priced.cheapest_parts[0].names
    (head,) = (line for line in said.output.splitlines() if "cheapest electronics" in line)
    told = said.output.splitlines()[said.output.splitlines().index(head) + 1]
    assert all(f"{kind.replace('_', '-')} {name}" in told for kind, name in first.items())
    assert "a what-if" in said.output
    assert sorted(path.name for path in folder.iterdir()) == before
