"""One stage of a model per file: integer reference, ONNX nodes, C text and state, side by side.

A stage is found by its ``kind``: every module here with a class that names one is a stage, so that
adding a stage is adding one file.
"""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from functools import cache

from runtime.stages.contract import Stage

__all__ = ["kinds"]


@cache
def kinds() -> dict[str, type[Stage]]:
    """Return every stage class by its kind."""
    found: dict[str, type[Stage]] = {}
    for info in pkgutil.iter_modules(__path__):
        if info.name == "nodes":  # loads onnx, and holds no stage
            continue
        module = importlib.import_module(f"{__name__}.{info.name}")
        for _, value in inspect.getmembers(module, inspect.isclass):
            if issubclass(value, Stage) and not inspect.isabstract(value):
                found[value.kind] = value
    return found
