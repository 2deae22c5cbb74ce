"""The parts library: complete, cited, and strict about what a user adds."""

from __future__ import annotations

import hashlib
from pathlib import Path
from statistics import fmean, stdev

import pytest

from runtime.budget import Choice
from runtime.budget.inputs.library import KINDS, Driver, Host, Led, Mcu, load_parts
from runtime.budget.inputs.part_values import Value
from runtime.budget.runs.run_table import read_runs
from runtime.errors import FormatError, UsageError

GOOD = """\
[driver.own]
title = "own driver"
maker = "none"
efficiency = { unit = "1", low = 0.7, typical = 0.8, high = 0.9, source = "invented" }
quiescent_current = { unit = "uA", low = 0, typical = 1, high = 2, source = "invented" }
settle_time = { unit = "us", low = 1, typical = 2, high = 3, source = "invented" }
"""


def _load(tmp_path: Path, text: str) -> None:
    path = tmp_path / "own.toml"
    path.write_text(text)
    load_parts(path)


def test_library_is_wide_enough() -> None:
    """At least 8 controllers of different makers, 4 LEDs, 3 readout classes, 6 hosts, 4 links."""
    library = load_parts()
    makers = {library.get(Mcu, name).maker for name in library.names("mcu")}
    assert len(makers) >= 8
    for kind, least in (("led", 4), ("readout", 3), ("host", 6), ("driver", 2), ("link", 3)):
        assert len(library.names(kind)) >= least


def test_every_value_tells_its_origin() -> None:
    """Every value is measured, published, set, from memory or invented, and inside its range."""
    library = load_parts()
    for kind, part in KINDS.items():
        for name in library.names(kind):
            one = library.get(part, name)
            found = list(one.inputs(kind).values())
            for row in one.state.values() if isinstance(one, Mcu) else ():
                values = [getattr(row, key) for key in type(row).model_fields]
                told = [*(x for x in values if isinstance(x, Value)), *row.wakes.values()]
                found += [x.as_input(f"{name}.{row.title}") for x in told]
            assert found
            for x in found:
                assert x.kind in ("measured", "published", "setting", "from memory", "invented")
                assert x.low <= x.typical <= x.high


def test_own_part_is_laid_over_the_library(tmp_path: Path) -> None:
    """A user's part is found beside the built-in ones, with its own values."""
    path = tmp_path / "own.toml"
    path.write_text(GOOD)
    library = load_parts(path)
    assert library.get(Driver, "own").efficiency.typical == 0.8
    assert library.get(Driver, "switched").title


@pytest.mark.parametrize(
    ("old", "new", "line", "reason"),
    [
        ('unit = "us"', 'unit = "ms"', 6, "unit is 'ms', expected 'us'"),
        ("low = 0.7", "low = -0.7", 4, "at least 1e-06"),
        ("low = 0, typical = 1", "low = -1, typical = 1", 5, "at least 0"),
        ("low = 1, typical = 2", "low = 2, typical = 1", 6, "low <= typical <= high"),
        ("settle_time", "setle_time", 6, "unknown key"),
        ("high = 0.9", "high = 1.1", 4, "at most 1"),
        ("low = 0.7", "low = nan", 4, "finite"),
        ("low = 0.7", 'low = "0.7"', 4, "number"),
        ("high = 2,", "high = 1e300,", 5, "at most 1,000,000"),
        ("low = 0.7", "low = 1e-300", 4, "at least 1e-06"),
        ("low = 0.7", "low = true", 4, "number"),
        ('source = "invented"', 'source = "somewhere"', 4, "source must be"),
        ('source = "invented"', 'source = "Measured on our bench, board 3, 2026"', 4, "cannot be"),
        (', source = "invented"', "", 4, "neither given, expected one of the two"),
        ("low = 0.7, ", "", 4, "low: key is missing"),
        ("[driver.own]", "[motor.own]", 1, "kind of part"),
        ('title = "own driver"\n', "", 1, "key is missing"),
        ("[driver.own]", "[driver.own", 1, "not TOML"),
    ],
)
def test_faulty_file_names_line_key_and_reason(
    tmp_path: Path, old: str, new: str, line: int, reason: str
) -> None:
    """A faulty parts file is refused in one line that names the file, the line and the reason."""
    with pytest.raises(FormatError) as caught:
        _load(tmp_path, GOOD.replace(old, new, 1))
    text = str(caught.value)
    assert reason in text
    assert "own.toml" in text
    assert f"line {line}" in text
    assert "\n" not in text


def test_unreadable_file_is_one_clear_line(tmp_path: Path) -> None:
    """A parts file that is not UTF-8, nested too deep or missing raises no error but ours."""
    path = tmp_path / "own.toml"
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(FormatError, match="UTF-8"):
        load_parts(path)
    path.write_text("a = " + "[" * 20_000)
    with pytest.raises(FormatError, match="not TOML"):
        load_parts(path)
    with pytest.raises(FormatError, match="unreadable"):
        load_parts(tmp_path / "none.toml")


def test_unknown_part_lists_those_that_exist() -> None:
    """Asking for a part that is not there names the ones that are."""
    with pytest.raises(UsageError, match="watch"):
        load_parts().get(Host, "toaster")


def test_wide_940_emitter_has_the_usual_wall_plug_efficiency() -> None:
    """40 mW from 100 mA at 1.35 V is 29.6 % (data sheets of 940 nm SMD emitters, from memory)."""
    led = load_parts().get(Led, "ir940-smd")
    electrical = led.forward_voltage.typical * led.rated_current.typical
    assert round(100 * led.radiant_flux.typical / electrical, 1) == 29.6


def test_spread_is_no_surer_than_its_sessions(tmp_path: Path) -> None:
    """A spread told without a range gets the 90 % interval that its number of sessions leaves.

    Chi-square with 9 degrees of freedom: 3.325 and 16.919 at 5 % and 95 % (NIST/SEMATECH e-Handbook
    of Statistical Methods, section 1.3.6.7.4, 2012; from memory).
    """
    host = load_parts().get(Host, "watch")
    sure = host.spread.model_copy(update={"low": 0.06, "typical": 0.06, "high": 0.06})
    found = host.model_copy(update={"spread": sure, "n_sessions": 10}).inputs("host")["host.spread"]
    assert found.low == pytest.approx(0.06 * (9 / 16.919) ** 0.5, rel=1e-4)
    assert found.high == pytest.approx(0.06 * (9 / 3.325) ** 0.5, rel=1e-4)
    assert "10 sessions" in found.source
    many = host.model_copy(update={"spread": sure, "n_sessions": 1000}).inputs("host")
    assert many["host.spread"].high - many["host.spread"].low < 0.006


def test_the_default_phone_s_spread_is_that_of_measured_sessions() -> None:
    """It is the relative deviation of ten session means of a measured phone, and names the file."""
    table = Path(__file__).parents[2] / "vectors" / "phone_runs.csv"
    sessions: dict[str, list[float]] = {}
    for run in read_runs(table):
        if run.condition == "baseline":
            sessions.setdefault(run.session, []).append(run.mean_mw)
    means = [fmean(runs) for runs in sessions.values()]
    found = load_parts().get(Host, Choice().host).inputs("host")["host.spread"]
    assert len(means) == 10
    assert found.typical == pytest.approx(stdev(means) / fmean(means), abs=5e-5)
    assert found.kind == "measured" and "an older phone" in found.source
    assert found.bench is not None
    assert found.bench.sha256 == hashlib.sha256(table.read_bytes()).hexdigest()
    # 90 % interval of a deviation of ten: chi-square with 9 degrees of freedom, 3.325 and 16.919.
    assert found.low == pytest.approx(found.typical * (9 / 16.919) ** 0.5, rel=1e-3)
    assert found.high == pytest.approx(found.typical * (9 / 3.325) ** 0.5, rel=1e-3)
