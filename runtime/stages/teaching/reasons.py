"""What a command of enrolment answers: a number from 0, or why not."""

from __future__ import annotations

__all__ = [
    "ADD",
    "BEGIN",
    "DAMAGED",
    "FINISH",
    "FOREIGN",
    "FORGET",
    "FULL",
    "NOTHING",
    "NO_CLASS",
    "NO_TAKE",
    "OTHER_CLASS",
    "REASONS",
    "SHORT",
    "UNLIKE",
]

BEGIN, ADD, FINISH, FORGET = 1, 2, 3, 4
"""Commands, as the state's ``ask`` holds them before a frame; 0 is none."""

NO_CLASS, NO_TAKE, SHORT, UNLIKE, OTHER_CLASS, FULL = -10, -11, -12, -13, -14, -15
FOREIGN, DAMAGED, NOTHING = -16, -17, -18

REASONS = {
    NO_CLASS: ("CLASS", "no such class, or one that is not to be learned"),
    NO_TAKE: ("NO_TAKE", "no take was begun"),
    SHORT: ("SHORT", "too short: hold it, or do it, for longer"),
    UNLIKE: ("UNLIKE", "too unlike its class, or your own gesture as shown before"),
    OTHER_CLASS: ("OTHER", "too like another class"),
    FULL: ("FULL", "enough takes of this class"),
    FOREIGN: ("FOREIGN", "what was learned is another model's, or another version's"),
    DAMAGED: ("DAMAGED", "what was learned is damaged, or cut"),
    NOTHING: ("NOTHING", "there is nothing that was learned"),
}
"""Name of each in C, behind ``PW_ENROL_``, and in words."""
