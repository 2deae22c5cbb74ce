"""One stage of a model per file: integer reference, ONNX nodes, C text and state, side by side.

A stage is found by its ``kind``: every module with a class that names one is a stage, so that
adding a stage is adding one file. Those against other light stand in ``lamps``, those of a sensor
without an LED in ``passive``, those of a point's place in ``alignment``, of two points' in
``pair``, the one that learns its owner in ``teaching``, those that a model ends in in ``closing``.
What a stage has to be is said in ``contract``; the C of the heaviest stages stands in ``kernels``.
"""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from functools import cache

from runtime.stages import alignment, closing, lamps, pair, passive, teaching
from runtime.stages.contract.closing import ClosingStage
from runtime.stages.contract.stage import Stage

__all__ = ["closing_kinds", "kinds"]


@cache
def kinds() -> dict[str, type[Stage]]:
    """Return every stage class by its kind."""
    found: dict[str, type[Stage]] = {}
    inner = (alignment, closing, lamps, pair, passive, teaching)
    rooms = [(__name__, __path__), *((room.__name__, room.__path__) for room in inner)]
    for room, path in rooms:
        for info in pkgutil.iter_modules(path):
            if info.ispkg:
                continue
            module = importlib.import_module(f"{room}.{info.name}")
            for _, value in inspect.getmembers(module, inspect.isclass):
                if issubclass(value, Stage) and not inspect.isabstract(value):
                    found[value.kind] = value
    return found


def closing_kinds() -> list[str]:
    """Return the kinds that a model can end in, by name."""
    return sorted(kind for kind, stage in kinds().items() if issubclass(stage, ClosingStage))
