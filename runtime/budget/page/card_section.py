"""What a budget puts on its model's card: the headline with its interval, and the verdict."""

from __future__ import annotations

import re
from pathlib import Path

from runtime.budget.result import Budget
from runtime.budget.verdict.host import amount
from runtime.files import read_limited, refresh_fingerprint, write_whole

__all__ = ["card_section", "put_on_card"]

_HEADING = "## Power"
_SECTION = re.compile(r"^## Power\n.*?(?=^## |\Z)", re.MULTILINE | re.DOTALL)
_BEFORE = "## Limits\n"


def card_section(result: Budget) -> str:
    """Return the section as Markdown."""
    use, n = result.verdict, result.kinds.get("measured", 0)
    return "\n".join(
        (
            _HEADING,
            "",
            f"On {result.titles['mcu']} in {result.titles['host']}: "
            f"{amount(result.average_uw)} µW on average over a day (median and 90 % interval), "
            f"{amount(use.percent_per_day)} % of the battery a day, a charge "
            f"{amount(use.minutes_lost)} min shorter. "
            f"The C is priced as compiled by {result.compiled_by}.",
            "",
            use.sentence,
            "",
            _emitted(result),
            "",
            f"Of {len(result.inputs)} inputs {n} {'is' if n == 1 else 'are'} measured on a bench; "
            "budget.html says where each number comes from.",
            "",
            "",
        )
    )


def _emitted(result: Budget) -> str:
    """Say whether what is priced is what is emitted, and what it executes."""
    if not result.profiles.as_emitted:
        return "The firmware in the folder is not the one priced as emitted: see budget.html."
    device = result.device
    return (
        f"Priced as emitted: the device program in `firmware/` executes "
        f"{device.active.instructions:,.0f} instructions on a frame of the model and "
        f"{device.watching.instructions:,.0f} on one of the watching, on {device.core}, its state "
        "machine, rows and interrupts among them."
    )


def put_on_card(result: Budget, folder: Path) -> None:
    """Write the section into the folder's ``card.md``, in the place of an older one.

    A folder without a card, or with one that is no text, is left alone.
    """
    path = folder / "card.md"
    if not path.is_file():
        return
    try:
        card = read_limited(path).decode("utf-8")
    except UnicodeDecodeError:
        return
    section = card_section(result)
    if _SECTION.search(card):
        card = _SECTION.sub(lambda _: section, card, count=1)
    elif _BEFORE in card:
        card = card.replace(_BEFORE, section + _BEFORE, 1)
    else:
        card = card.rstrip("\n") + "\n\n" + section
    write_whole(path, (card.rstrip("\n") + "\n").encode())
    refresh_fingerprint(path)
