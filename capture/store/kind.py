"""The three kinds of data, which are never mixed under one figure without saying so.

Recorded: real people before a real sensor. Real shapes, emulated optic: silhouettes, depth maps or
joints of real people, seen through an emulated optic. Invented: people and optic are both made up.
Each session says its kind in the firmware's text, so that a copy of it elsewhere still does.
"""

from __future__ import annotations

__all__ = ["INVENTED", "KINDS", "RECORDED", "REHEARSED", "firmware_of", "kind_of"]

RECORDED = "recorded"
REHEARSED = "real shapes, emulated optic"
INVENTED = "invented"
KINDS = (RECORDED, REHEARSED, INVENTED)
_SIGN = {REHEARSED: REHEARSED, INVENTED: "emulated"}


def firmware_of(kind: str) -> str:
    """Return the firmware's text of readouts of a kind that no device sent."""
    return f"imported ({_SIGN[kind]})" if kind in _SIGN else "imported"


def kind_of(firmware: str) -> str:
    """Return the kind of a session from its firmware's text; an emulated device says that it is."""
    if REHEARSED in firmware:
        return REHEARSED
    return INVENTED if "emulated" in firmware else RECORDED
