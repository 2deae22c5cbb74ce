"""What a model costs: cycles, memory, energy, and whether anyone would see it.

``budget`` prices a model folder; ``write_budget`` and ``write_report`` put the answer on disk.
"""

from runtime.budget.assemble import Computation, budget
from runtime.budget.cheapest_parts import with_cheapest_parts
from runtime.budget.gather import Choice
from runtime.budget.other_compilers import with_other_compilers
from runtime.budget.page.placed import write_budget
from runtime.budget.page.report import write_report
from runtime.budget.page.side_by_side import names_apart
from runtime.budget.price.light import CAUTION as LIGHT_CAUTION
from runtime.budget.result import Budget
from runtime.budget.verdict.limits import Limits, junit_xml, load_limits

__all__ = [
    "LIGHT_CAUTION",
    "Budget",
    "Choice",
    "Computation",
    "Limits",
    "budget",
    "junit_xml",
    "load_limits",
    "names_apart",
    "with_cheapest_parts",
    "with_other_compilers",
    "write_budget",
    "write_report",
]
