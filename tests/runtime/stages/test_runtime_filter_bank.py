"""The filters of all pixels: what is alike on all of them drops out, and nothing overflows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from onnx import numpy_helper

from runtime.errors import FormatError, OverflowRisk
from runtime.stages.alignment.filter_bank import FilterBank
from runtime.stages.alignment.geometry import CellGrid, Windows
from runtime.stages.alignment.nodes import Writer
from runtime.stages.contract.onnx_nodes import Nodes

GRID = CellGrid(3, 2, 0, 0, 1 << 12)
WINDOWS = Windows(8, 6, 6, (0,), 2, 2)


def _bank(least: int = -127) -> FilterBank:
    rng = np.random.default_rng(7)
    starts = rng.integers(0, 60, (1, GRID.n_nodes)).astype(np.int32)
    return FilterBank(WINDOWS, GRID, rng.integers(least, 128, 200).astype(np.int8), 13, starts)


def test_light_alike_on_all_pixels_drops_out_of_windows() -> None:
    """Windows do not sum to zero, yet light on every pixel acts as a sixteenth of a count."""
    bank, rng = _bank(-20), np.random.default_rng(8)
    values, cells = rng.integers(-900, 900, (40, 48)), rng.integers(0, GRID.n_cells, 40)
    assert np.abs(bank.sums).min() > 100
    plain, lifted = (bank.dots(values + more, 0, cells) for more in (0, 700))
    assert np.abs(plain - lifted).max() <= np.abs(bank.sums).max() / 16 + 1
    real = bank.dots_float(values.astype(float), 0, cells)
    # The mean stands in sixteenths: half of one, times the sum, and the product's own rounding.
    assert np.abs(plain - real).max() <= np.abs(bank.sums).max() / 32 + 0.5


def test_dot_products_of_filters_are_those_worked_out_by_hand() -> None:
    """Of filters that sum to zero a dot product is the plain one, of no frames there is none."""
    bank = _bank()
    four = np.zeros(200, np.int8)
    four[[0, 13]] = 5, -5  # rows 0 and 1 of the filter that begins at 0
    bank = replace(bank, bank=four, starts=np.zeros_like(bank.starts))
    values = np.arange(48)[None]
    assert bank.sums.tolist() == [[0] * GRID.n_nodes]
    assert bank.dots(values, 0, np.array([4])).tolist() == [[5 * 0 - 5 * 6] * 4]
    assert bank.dots(np.zeros((0, 48), np.int64), 0, np.zeros(0, np.int64)).shape == (0, 4)


def test_a_filter_beyond_the_bank_is_refused() -> None:
    """The last filter may end where the bank ends, and not a value later; rows hold a filter's."""
    bank = _bank()
    last = 200 - 7 * 13 - 6
    replace(bank, starts=np.full_like(bank.starts, last)).check("here")
    for wrong in ({"starts": np.full_like(bank.starts, last + 1)}, {"stride": 5}):
        with pytest.raises(FormatError, match=r"starts|bank_stride"):
            replace(bank, **wrong).check("here")


@pytest.mark.parametrize(
    ("most", "what"),
    [(4095, ""), (170_000, "sum times the mean"), (2_900_000, "sixteenths")],
)
def test_what_could_pass_32_bits_is_refused(most: int, what: str) -> None:
    """Counts of 12 bits are proved; larger ones are refused by what would overflow first."""
    bank, counts = _bank(0), np.full(48, most, dtype=np.int64)
    if not what:
        bank.prove("here", 0, counts)
        return
    with pytest.raises(OverflowRisk, match=what):
        bank.prove("here", 0, counts)


@pytest.mark.parametrize("dtype", [np.int8, np.int16, np.int32])
def test_a_table_of_the_graph_holds_the_least_number_of_its_width(dtype: type) -> None:
    """The smallest type that the graph keeps a table in holds every number of it."""
    values, nodes = np.array([np.iinfo(dtype).min, 5], dtype), Nodes()
    Writer(nodes).table(values)
    assert numpy_helper.to_array(nodes.initializers[0]).tolist() == values.tolist()
