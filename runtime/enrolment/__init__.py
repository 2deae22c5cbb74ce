"""A model and its owner, for programs: commands by which it learns, and what was learned as bytes.

`learning` is all of it; the arithmetic stands in `runtime.stages.teaching`.
"""

from runtime.enrolment.learning import (
    COMMANDS,
    MAX_FILE_BYTES,
    Answered,
    Command,
    can_enrol,
    carry_out,
    enrol_place,
    enrolment_bytes,
    learned_arrays,
    learned_bytes,
    likest_class,
    own_state,
    reason_in_words,
    refuse_without,
    with_learned,
)

__all__ = [
    "COMMANDS",
    "MAX_FILE_BYTES",
    "Answered",
    "Command",
    "can_enrol",
    "carry_out",
    "enrol_place",
    "enrolment_bytes",
    "learned_arrays",
    "learned_bytes",
    "likest_class",
    "own_state",
    "reason_in_words",
    "refuse_without",
    "with_learned",
]
