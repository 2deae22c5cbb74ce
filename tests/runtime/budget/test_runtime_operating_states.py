"""Operating states: those that exist together are found, and a mix of rows is refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from budget_models import CORES, library_inputs, write_folder
from hypothesis import given, settings
from hypothesis import strategies as st

from runtime.budget import Choice, budget
from runtime.budget.inputs.controllers import Mcu, State
from runtime.budget.inputs.library import Link, load_parts
from runtime.budget.inputs.uncertainty import typical_values
from runtime.budget.price.controller_inputs import controller_inputs
from runtime.budget.price.operating_states import Memory, OperatingStates, states_together
from runtime.budget.price.power import average_power
from runtime.errors import UsageError

SPI = load_parts().get(Link, "spi")
U575 = Choice(mcu="stm32u575")


def _value(unit: str, typical: float) -> dict[str, Any]:
    return {"unit": unit, "typical": typical, "source": "setting: for a test"}


def _running(clock: float, wakes: dict[str, float] | None = None, volts: float = 3.0) -> Any:
    ways = {name: _value("us", us) for name, us in (wakes or {}).items()}
    return {
        "title": f"run at {clock}", "runs": ["core", "dma", "link"], "clock": _value("MHz", clock),
        "supply": _value("V", volts), "current": _value("uA", 30 * clock),
        "flash_wait": _value("cycles", 1), "link_rate": _value("Mbit/s", clock / 2), "wakes": ways,
    }  # fmt: skip


def _asleep(wakes: dict[str, float], volts: float = 3.0, **more: Any) -> Any:
    ways = {name: _value("us", us) for name, us in wakes.items()}
    return {
        "title": "asleep", "supply": _value("V", volts), "current": _value("uA", 2), "wakes": ways,
    } | more  # fmt: skip


def _waiting(wakes: dict[str, float], rate: float = 40.0, **more: Any) -> Any:
    runs = {"runs": ["dma", "link"], "link_rate": _value("Mbit/s", rate)}
    return _asleep(wakes, **runs) | {"current": _value("uA", 100)} | more


def _mcu(**states: Any) -> Mcu:
    named = {name.replace("_", "-"): state for name, state in states.items()}
    asked = {
        key: named.pop(key) for key in ("clock", "computing", "waiting", "sleeping") if key in named
    }
    return Mcu.model_validate(
        {"title": "a part", "maker": "a test", "core": "cortex-m33", "flash_kb": 1, "ram_kb": 1,
         "state": named, **asked}
    )  # fmt: skip


def _only(mcu: Mcu, link: Link = SPI) -> OperatingStates:
    (found,) = states_together(mcu, link)
    return found


def test_a_wake_up_leads_to_the_clock_it_is_told_for() -> None:
    """A sleep that wakes at 24 MHz reaches 160 MHz by a clock change, at 24 MHz's current."""
    mcu = _mcu(
        run_24=_running(24, {"run-160": 80.0}), run_160=_running(160),
        sleep=_asleep({"run-24": 23.0}), stop=_waiting({"run-24": 23.0}), computing="run-160",
    )  # fmt: skip
    found = [s for s in states_together(mcu, SPI) if s.sleeping == "sleep" and s.waiting == "stop"]
    fast = next(s for s in found if s.watching == "run-160")
    inputs = typical_values(controller_inputs(mcu, fast, SPI))
    assert inputs["active.wake_up_time"] == 23
    assert inputs["active.clock_change_time"] == 80
    assert inputs["active.wake_up_current"] == 30 * 24
    assert inputs["active.run_current"] == 30 * 160
    slow = next(s for s in found if s.watching == "run-24")
    inputs = typical_values(controller_inputs(mcu, slow, SPI))
    assert inputs["watching.clock_change_time"] == 0
    assert inputs["mcu.start_time"] == 23  # asleep to waiting: through a core that runs
    assert inputs["mcu.start_current"] == 30 * 24


def test_a_clock_that_no_wake_up_leads_to_is_refused() -> None:
    """160 MHz without a way to it from the sleeping state's 24 MHz is no state of the device."""
    mcu = _mcu(
        run_24=_running(24), run_160=_running(160), sleep=_asleep({"run-24": 23.0}),
        stop=_waiting({"run-24": 23.0}), computing="run-160",
    )  # fmt: skip
    with pytest.raises(UsageError, match=r"from waiting .* to computing run-160 is missing"):
        states_together(mcu, SPI)


def test_one_supply_holds_for_all() -> None:
    """A sleeping row at 1.8 V and running rows at 3.3 V are no state of the device."""
    mcu = _mcu(
        run_24=_running(24, volts=3.3), sleep=_asleep({"run-24": 5.0}, volts=1.8),
        computing="run-24",
    )  # fmt: skip
    with pytest.raises(UsageError, match=r"one at 1.8 V as sleeping") as caught:
        states_together(mcu, SPI)
    assert "\n" not in str(caught.value)
    assert "choose states that exist together" in str(caught.value).lower()


def test_the_link_runs_at_what_the_waiting_state_allows() -> None:
    """A link of one's own clock slows down to the waiting state; a fixed one is refused."""
    mcu = _mcu(
        run_24=_running(24), sleep=_asleep({"run-24": 5.0}), stop=_waiting({"run-24": 5.0}, 12.0),
        waiting="stop",
    )  # fmt: skip
    states = states_together(mcu, SPI)[0]
    slowed = controller_inputs(mcu, states, SPI)["sensor_link.bit_rate"]
    assert slowed.typical == 12
    assert "slowed down" in slowed.source
    fixed = SPI.model_copy(update={"slower": False})
    with pytest.raises(UsageError, match="at most 12 Mbit/s a wire, expected one with the link"):
        states_together(mcu, fixed)
    wide = load_parts().get(Link, "parallel")  # 16 Mbit/s on each of eight wires
    with pytest.raises(UsageError, match="at most 12 Mbit/s a wire"):
        states_together(mcu, wide)


def test_a_sleep_that_keeps_a_clock_is_entered_from_that_clock() -> None:
    """Sleep at 160 MHz is not entered by a core that woke at 24 MHz; it changes its clock first."""
    kept = {"clock": _value("MHz", 160)}
    states = {
        "sleep": _asleep({"run-24": 23.0}),
        "doze": _waiting({"run-160": 0.2}, **kept),
        "run_160": _running(160),
        "waiting": "doze",
        "sleeping": "sleep",
    }
    with pytest.raises(UsageError, match="from sleeping sleep to waiting doze is missing"):
        states_together(_mcu(run_24=_running(24), **states), SPI)
    found = _mcu(run_24=_running(24, {"run-160": 80.0}), **states)
    start = next(s.start for s in states_together(found, SPI) if s.sleeping == "sleep")
    assert start.wake_up_time is not None and start.wake_up_time.typical == 23
    assert start.clock_change_time is not None and start.clock_change_time.typical == 80


def test_a_clock_that_is_set_must_be_that_of_a_row() -> None:
    """A clock in a parts file picks the row that has it; one that no row has is refused."""
    states = {"run_24": _running(24), "run_48": _running(48)}
    sleep = _asleep({"run-24": 5.0, "run-48": 5.0})
    picked = states_together(_mcu(**states, sleep=sleep, clock=_value("MHz", 48)), SPI)
    assert {s.computing for s in picked} == {"run-48"}
    with pytest.raises(UsageError, match=r"clock is 32 MHz, expected that of a row .24, 48."):
        states_together(_mcu(**states, sleep=sleep, clock=_value("MHz", 32)), SPI)


def test_a_state_holds_what_the_program_needs() -> None:
    """A sleep that keeps 8 KB is left out for a program of more, and so is a DMA without room."""
    mcu = _mcu(
        run_24=_running(24), small=_asleep({"run-24": 5.0}, kept_kb=8),
        large=_asleep({"run-24": 5.0}), stop=_waiting({"run-24": 5.0}, kept_kb=64, buffer_kb=16),
        waiting="stop",
    )  # fmt: skip
    fits = {s.sleeping for s in states_together(mcu, SPI, Memory(kept=8192, written=16_384))}
    assert fits == {"small", "large", "stop"}
    fits = {s.sleeping for s in states_together(mcu, SPI, Memory(kept=8193))}
    assert fits == {"large", "stop"}
    with pytest.raises(UsageError, match="takes in 16 KB, expected one that takes in 16,385 bytes"):
        states_together(mcu, SPI, Memory(written=16_385))
    with pytest.raises(UsageError, match="keeps 8 KB, expected one that keeps 65,537 bytes"):
        states_together(mcu, SPI, Memory(kept=65_537))


@pytest.mark.parametrize("name", load_parts().names("mcu"))
def test_every_controller_of_the_library_has_states_that_exist_together(name: str) -> None:
    """Each controller may sleep, wait, watch and compute, with its own rows at one supply."""
    mcu = load_parts().get(Mcu, name)
    for states in states_together(mcu, SPI):
        rows = [mcu.state[row] for row in states.names().values()]
        assert len({row.supply.typical for row in rows}) == 1
        assert {"dma", "link"} <= set(mcu.state[states.waiting].runs)
        assert "core" not in mcu.state[states.sleeping].runs
        computing = mcu.state[states.computing].clock
        assert computing is not None and computing.typical > 0


_BESIDE = library_inputs()


def _total(mcu: Mcu, states: OperatingStates, temperature: float = 25.0) -> float:
    inputs = _BESIDE | controller_inputs(mcu, states, SPI)
    values = typical_values(inputs) | {"usage.temperature": temperature}
    return float(sum(average_power(values).values()))


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_the_price_never_falls_when_a_current_rises(data: st.DataObject) -> None:
    """A row that draws more never costs less, whichever states and temperature are taken."""
    mcu = load_parts().get(Mcu, data.draw(st.sampled_from(["stm32u575", "nrf54l15", "saml21"])))
    states = data.draw(st.sampled_from(states_together(mcu, SPI)))
    name = data.draw(st.sampled_from(sorted(mcu.state)))
    row, more = mcu.state[name], data.draw(st.floats(1.0, 100.0))
    current = row.current.model_copy(
        update={key: more * getattr(row.current, key) for key in ("low", "typical", "high")}
    )
    hungrier = mcu.model_copy(
        update={"state": {**mcu.state, name: row.model_copy(update={"current": current})}}
    )
    warmth = data.draw(st.floats(-20.0, 60.0))
    assert _total(hungrier, states, warmth) >= _total(mcu, states, warmth) * (1 - 1e-12)


@settings(max_examples=20, deadline=None)
@given(data=st.data())
def test_a_longer_wake_up_never_costs_less(data: st.DataObject) -> None:
    """A way that takes longer never lowers the price of the cheapest choice."""
    mcu = load_parts().get(Mcu, data.draw(st.sampled_from(["stm32u575", "nrf54l15", "saml21"])))
    factor = data.draw(st.floats(1.0, 50.0))

    def slower(row: State) -> State:
        ways = {
            to: x.model_copy(update={k: factor * getattr(x, k) for k in ("low", "typical", "high")})
            for to, x in row.wakes.items()
        }
        return row.model_copy(update={"wakes": ways})

    late = mcu.model_copy(update={"state": {n: slower(row) for n, row in mcu.state.items()}})
    least = [min(_total(m, s) for s in states_together(m, SPI)) for m in (mcu, late)]
    assert least[1] >= least[0] * (1 - 1e-12)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_folder(tmp_path_factory.mktemp("states") / "dynamic")


def test_the_cheapest_choice_that_keeps_the_rates_is_taken(folder: Path, tmp_path: Path) -> None:
    """Naming any other states never makes the budget cheaper."""
    free = budget(folder, choice=U575, cores=CORES)
    taken = free.operating_states
    assert taken["choices_that_exist_together"] == len(
        states_together(load_parts().get(Mcu, U575.mcu), SPI)
    )
    for role, other in (
        ("computing", "run-160"),
        ("watching", "run-160"),
        ("waiting", "sleep-160"),
    ):
        own = tmp_path / "own.toml"
        own.write_text(f'[mcu.stm32u575]\n{role} = "{other}"\n')
        named = budget(folder, choice=U575, cores=CORES, parts=own)
        assert named.operating_states[role]["state"] == other
        assert named.average_uw.typical >= free.average_uw.typical


def test_a_clock_too_slow_for_the_frames_is_not_taken(folder: Path, tmp_path: Path) -> None:
    """A row that costs next to nothing but cannot keep 30 frames a second computes no gestures."""
    own = tmp_path / "own.toml"
    exact = 'typical = {}, source = "setting: for a test" }}\n'.format
    for clock, taken in ((0.1, False), (8.0, True)):
        own.write_text(
            '[mcu.stm32u575.state.crawl]\ntitle = "crawl"\nruns = ["core"]\n'
            + 'supply = { unit = "V", ' + exact(3) + 'clock = { unit = "MHz", ' + exact(clock)
            + 'current = { unit = "uA", ' + exact(1) + 'flash_wait = { unit = "cycles", ' + exact(0)
            + "[mcu.stm32u575.state.stop-2-dma.wakes]\n"
            + 'crawl = { unit = "us", ' + exact(1)
        )  # fmt: skip
        states = budget(folder, choice=U575, cores=CORES, parts=own).operating_states
        assert (states["computing"]["state"] == "crawl") is taken


def test_a_mix_of_rows_is_one_line(folder: Path, tmp_path: Path) -> None:
    """A row laid over at another voltage and asked for is refused in one line that says why."""
    own = tmp_path / "own.toml"
    own.write_text(
        '[mcu.stm32u575]\ncomputing = "run-160"\n[mcu.stm32u575.state.run-160]\n'
        'supply = { unit = "V", typical = 1.8, source = "setting: another rail" }\n'
    )
    with pytest.raises(UsageError, match=r"computing state is run-160 at 1.8 V") as caught:
        budget(folder, choice=U575, cores=CORES, parts=own)
    assert "\n" not in str(caught.value)


def test_printed_rows_are_those_that_are_priced(folder: Path) -> None:
    """The rows in budget.json hold the inputs' own supply, clocks and currents."""
    data = budget(folder, cores=CORES).to_json()
    rows, inputs = data["operating_states"], data["inputs"]
    for role, name in (
        ("sleeping", "mcu.sleep_current"), ("waiting", "mcu.wait_current"),
        ("watching", "watching.run_current"), ("computing", "active.run_current"),
    ):  # fmt: skip
        assert rows[role]["current_ua"] == inputs[name]["typical"]
        assert rows[role]["supply_v"] == inputs["mcu.supply"]["typical"]
        assert rows[role]["sources"]["current_ua"] == inputs[name]["source"]
        assert rows[role]["kinds"]["current_ua"] == inputs[name]["kind"]
    assert rows["waiting"]["kinds"]["link_mbit_s"] == "from memory"
    assert rows["computing"]["clock_mhz"] == inputs["active.clock"]["typical"]
    assert rows["watching"]["clock_mhz"] == inputs["watching.clock"]["typical"]
