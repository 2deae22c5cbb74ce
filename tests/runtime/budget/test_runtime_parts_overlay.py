"""A user's parts over the library's: one value, one row or a whole part, and its origin."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import runtime.budget.inputs.library as parts_library
from runtime.budget.inputs.library import KINDS, Led, Library, Link, Mcu, load_parts
from runtime.budget.price.operating_states import states_together
from runtime.errors import Error, FormatError

SHA = "0123456789abcdef" * 4
BENCH = f"""{{ device = "board 3", instrument = "source measure unit, 100 kS/s", \
date = "2026-11-20", sha256 = "{SHA}" }}"""


def _value(unit: str, typical: float, origin: str = 'source = "invented"') -> str:
    range_ = f"low = {typical}, typical = {typical}, high = {typical}"
    return f'{{ unit = "{unit}", {range_}, {origin} }}'


def _load(path: Path, text: str) -> Library:
    path.write_text(text)
    return load_parts(path)


def _written(value: Any) -> str:
    """Write a part's field as TOML on one line."""
    if isinstance(value, dict):
        pairs = (f"{k} = {_written(v)}" for k, v in value.items() if v not in (None, "", {}))
        return f"{{ {', '.join(pairs)} }}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_written, value))}]"
    if isinstance(value, bool):
        return str(value).lower()
    return repr(value) if isinstance(value, float | int) else f'"{value}"'


def _whole(kind: str, name: str, part: Any) -> str:
    """Write a part with all its keys."""
    fields = part.model_dump(exclude_none=True)
    lines = (f"{key} = {_written(x)}" for key, x in fields.items() if x not in ("", {}))
    return "\n".join([f"[{kind}.{name}]", *lines])


def test_one_value_is_laid_over_and_all_else_stays(tmp_path: Path) -> None:
    """A value of a row is replaced with its unit and origin; every other value is the library's."""
    old = load_parts().get(Mcu, "stm32u575")
    name, row = next((n, s) for n, s in old.state.items() if "core" not in s.runs)
    text = f"[mcu.stm32u575.state.{name}]\ncurrent = {_value('uA', 7.25)}\n"
    new = _load(tmp_path / "own.toml", text).get(Mcu, "stm32u575")
    assert new.state[name].current.typical == 7.25 != row.current.typical
    untouched = row.model_copy(update={"current": new.state[name].current})
    assert new == old.model_copy(update={"state": {**old.state, name: untouched}})
    assert load_parts().get(Mcu, "stm32u575") == old


def test_a_row_of_ones_own_is_added(tmp_path: Path) -> None:
    """A state of a new name stands beside the library's."""
    row = f"""[mcu.stm32u575.state.own]
title = "own"
supply = {_value("V", 3.0)}
current = {_value("uA", 2.0)}
"""
    library = _load(tmp_path / "own.toml", row)
    assert set(library.get(Mcu, "stm32u575").state) == {
        *load_parts().get(Mcu, "stm32u575").state, "own",
    }  # fmt: skip


@pytest.mark.parametrize("kind", list(KINDS))
def test_a_part_laid_over_itself_is_the_part(tmp_path: Path, kind: str) -> None:
    """A whole part and its single keys, one file after another, say the same part."""
    library = load_parts()
    for name in library.names(kind):
        part = library.get(KINDS[kind], name)
        text = _whole(kind, name, part)
        assert _load(tmp_path / "own.toml", text).get(KINDS[kind], name) == part
        new = text.replace(f"[{kind}.{name}]", f"[{kind}.own]")
        assert _load(tmp_path / "own.toml", new).get(KINDS[kind], "own") == part


@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_overlay_equals_the_whole_part(tmp_path_factory: Any, data: st.DataObject) -> None:
    """A few values laid over give the part that would be written whole with them."""
    library, path = load_parts(), tmp_path_factory.mktemp("overlay") / "own.toml"
    name = data.draw(st.sampled_from(library.names("led")))
    led = library.get(Led, name)
    keys = ["forward_voltage", "rated_current", "source_width", "wavelength"]
    chosen = data.draw(st.lists(st.sampled_from(keys), min_size=1, unique=True))
    lines = [f"[led.{name}]"]
    for key in chosen:
        value = data.draw(st.floats(1.0, 50.0))
        lines.append(f"{key} = {_value(getattr(led, key).unit, value)}")
    single = _load(path, "\n".join(lines)).get(Led, name)
    whole = _load(path, _whole("led", "own", single)).get(Led, "own")
    assert single == whole
    for key in type(led).model_fields:
        assert (getattr(single, key) == getattr(led, key)) or key in chosen


def test_a_measured_value_says_how(tmp_path: Path) -> None:
    """A value from a bench is measured, and carries device, instrument, day and hash."""
    text = "[driver.switched]\nquiescent_current = " + _value("uA", 1.2, f"measured = {BENCH}")
    part = _load(tmp_path / "own.toml", text.replace("\\\n", "")).get(KINDS["driver"], "switched")
    found = part.inputs("driver")["driver.quiescent_current"]
    assert found.kind == "measured"
    assert found.to_json()["bench"] == {
        "device": "board 3", "instrument": "source measure unit, 100 kS/s",
        "date": "2026-11-20", "sha256": SHA,
    }  # fmt: skip
    assert all(word in found.source for word in ("board 3", "2026-11-20", SHA[:12]))


def test_a_setting_needs_no_range(tmp_path: Path) -> None:
    """What a designer sets is exact; its range is itself."""
    text = '[link.spi]\nbit_rate = { unit = "Mbit/s", typical = 8, source = "setting: ours" }\n'
    rate = _load(tmp_path / "own.toml", text).get(KINDS["link"], "spi").inputs("l")["l.bit_rate"]
    assert (rate.low, rate.typical, rate.high, rate.kind) == (8, 8, 8, "setting")


@pytest.mark.parametrize(
    ("text", "line", "reason"),
    [
        ("[mcu.stm32u575]\nclock = 24\n", 2, "a table of keys"),
        ("[mcu.stm32u575]\nclock = {typical = 24}\n", 2, "clock.unit: key is missing"),
        ('[mcu.stm32u575]\nclock = {unit = "kHz", typical = 24, source = "setting: x"}\n', 2,
         "unit is 'kHz', expected 'MHz'"),
        ('[mcu.stm32u575]\nclock = {unit = "MHz", typical = 24}\n', 2, "key is missing"),
        ("[mcu]\nstm32u575 = 3\n", 2, "mcu.stm32u575 is not a table"),
        ('[mcu.stm32u575]\nsleeping = "deep"\n', 1, "state is 'deep', expected one of"),
        ("[mcu.stm32u575.state.x]\n", 1, "key is missing"),
        ("[driver.switched]\nefficiency = " + _value("1", 0.5, 'measured = {device = "b"}'), 2,
         "efficiency.measured.instrument: key is missing"),
        ("[driver.switched]\nefficiency = "
         + _value("1", 0.5, f"measured = {BENCH}").replace("2026-11-20", "2026-13-20"), 2,
         "measured.date"),
        ("[driver.switched]\nefficiency = "
         + _value("1", 0.5, f"measured = {BENCH}").replace(SHA, SHA[1:]), 2, "measured.sha256"),
        ("[driver.switched]\nefficiency = "
         + _value("1", 0.5, f'source = "invented", measured = {BENCH}'), 2, "both given"),
    ],
)  # fmt: skip
def test_a_wrong_overlay_is_one_line(tmp_path: Path, text: str, line: int, reason: str) -> None:
    """A wrong key of an overlay is told in one line by the user's file, its line and the key."""
    with pytest.raises(FormatError) as caught:
        _load(tmp_path / "own.toml", text.replace("\\\n", ""))
    told = str(caught.value)
    assert reason in told
    assert re.search(rf"own\.toml, line {line}\b", told)
    assert "\n" not in told


_JUNK = (
    "3", "-1", "nan", "inf", "[]", "{}", "true", "[1]", '"x"', '""', "2026-01-01", "1.5",
    '{ unit = "uA", typical = 1, source = "setting" }', "9" * 40,
)  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_a_damaged_parts_file_raises_nothing_but_our_errors(
    tmp_path_factory: Any, data: st.DataObject
) -> None:
    """Any line of the library's own files exchanged for junk is read, or refused in one line."""
    folder = Path(parts_library.__file__).parents[2] / "parts"
    lines = data.draw(st.sampled_from(sorted(folder.glob("*.toml")))).read_text().splitlines()
    tables = [i for i, line in enumerate(lines) if line.startswith("[")]
    start = data.draw(st.sampled_from(tables))
    end = next((i for i in tables if i > start), len(lines))
    block = lines[start:end]
    keys = [i for i, line in enumerate(block) if "=" in line and not line.startswith("#")]
    if keys:
        at = data.draw(st.sampled_from(keys))
        block[at] = f"{block[at].partition('=')[0]}= {data.draw(st.sampled_from(_JUNK))}"
    try:
        found = _load(tmp_path_factory.mktemp("damaged") / "own.toml", "\n".join(block))
        for name in found.names("mcu"):
            states_together(found.get(Mcu, name), found.get(Link, "spi"))
        for name in found.names("led"):
            assert found.get(Led, name).voltage_points.at(20.0) > 0.0
    except Error as fault:
        assert "\n" not in str(fault)
        assert len(str(fault)) < 500
