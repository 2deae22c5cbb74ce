"""The number that an option takes: finite, and within limits."""

from __future__ import annotations

import math
from typing import Any

import click

__all__ = ["FiniteNumber"]


class FiniteNumber(click.FloatRange):
    """A number within limits, without those that a comparison lets through.

    ``nan`` is neither below a limit nor above it, and ``inf`` is above every limit from below: a
    time to end at would never come.
    """

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return the number; refuse what is none, what is not finite, what is out of the limits.

        Raises
        ------
        click.BadParameter
            The command ends with one line and exit code 2.
        """
        number = float(click.FLOAT.convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"'{value}' is not a finite number.", param, ctx)
        return super().convert(number, param, ctx)
