"""A budget by the other compilers of this machine, beside the one that it was priced by.

A model's own budget names one compiler and hangs on no other: what is on a path differs from
machine to machine. The prices of others are asked for, and written apart.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from runtime.budget.assemble import Computation, budget
from runtime.budget.result import Budget
from runtime.firmware.machine.compile import compiler_version, compilers_of

__all__ = ["with_other_compilers"]


def with_other_compilers(
    priced: Budget, folder: Path, parts: Path | None, computation: Computation
) -> Budget:
    """Return a budget with the prices of every other compiler that has the controller's core.

    Parameters
    ----------
    priced : Budget
    folder, parts, computation
        As :func:`runtime.budget.budget` was given them; nothing is kept in the folder.

    Raises
    ------
    ToolError
        A compiler refuses the code.
    """
    core, apart = priced.titles["core"], replace(computation, keep_profiles=False)
    others = [
        compiler
        for compiler in compilers_of(core)
        if compiler_version(compiler) != priced.core.compiler
    ]
    found = (
        budget(
            folder, choice=priced.choice, parts=parts, cores=(core,), compiler=compiler,
            computation=apart,
        ).own_price
        for compiler in others
    )  # fmt: skip
    return replace(priced, other_compilers=tuple(found))
