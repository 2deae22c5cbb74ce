"""The watching stage beside the model that it wakes: ``pw_watch.c`` and ``pw_watch.h``.

It is the same text as that of any model, under names of its own (``pw_watch_`` instead of ``pw_``),
with its few constants inside, so that both can be linked into one program.
"""

from __future__ import annotations

import re
import textwrap

from runtime.firmware.emit.generate import generate, stage_places
from runtime.firmware.watching import (
    BEFORE,
    MOVED,
    WARM_UP_FRAMES,
    moved_margin,
    watching_model,
    watching_threshold,
)
from runtime.sensor import Sensor
from runtime.stages.contract.c_text import LINE_LENGTH, fill

__all__ = ["WATCH_FILES", "watch_text"]

WATCH_FILES = ("pw_watch.h", "pw_watch.c")
"""The files of the watching stage in a firmware folder."""

_SHARED = ("PW_PLAIN_C", "PW_TRUST_ROWS", "PW_CHECK_COUNTS")
"""What a build asks for counts for both."""

_ABOUT = f"""\
/* The watching stage: read the middle rows now and then, in weak light, and feed them here. A hand
 * that comes is what pw_device.c wakes the model of pw_model.h for. The first {WARM_UP_FRAMES}
 * frames after pw_watch_init fill the means; what is decided on them is not to be heeded. */
#define PW_WATCH_WARM_UP_FRAMES {WARM_UP_FRAMES}
"""

_DECLARATIONS = """\
/* Whether a hand has come: the last frames are brighter than those before, by more than noise. */
int32_t pw_watch_arrived(const pw_watch_state *s);

/* Sum of the changes on the frames before the last ones: what rest looks like. */
int32_t pw_watch_rest(const pw_watch_state *s);

/* Whether the last frame's change, whichever way, stands out from such a sum. */
int32_t pw_watch_moved(const pw_watch_state *s, int32_t rest);

/* Version of the generator"""

_FUNCTIONS = """
int32_t pw_watch_arrived(const pw_watch_state *s)
{
    return (@SCORES@[1] - @SCORES@[0]) >= @MARGIN@;
}

int32_t pw_watch_rest(const pw_watch_state *s)
{
    int32_t rest = 0;
    for (uint32_t i = 0u; i < @BEFORE@u; i++) {
        rest += @FRAMES@[(2u * i) + 1u];
    }
    return rest;
}

int32_t pw_watch_moved(const pw_watch_state *s, int32_t rest)
{
    return ((@NOW@ * @FRAMES@[@LAST@]) - (@REST@ * rest)) >= @MOVED_MARGIN@;
}
"""


def watch_text(sensor: Sensor, n_rows: int = 16) -> dict[str, str]:
    """Return the files of the watching stage for a sensor and the rows it reads, by name."""
    model = watching_model(sensor, n_rows)
    files, places = generate(model), stage_places(model)
    functions = fill(
        _FUNCTIONS, NOW=MOVED[0], REST=MOVED[1], BEFORE=BEFORE, SCORES=places[-2].place,
        FRAMES=f"s->{places[4].label}_sums", LAST=2 * WARM_UP_FRAMES - 1,
        MARGIN=watching_threshold(model), MOVED_MARGIN=moved_margin(model),
    )  # fmt: skip
    tables = files["pw_weights.h"].split("#include <stdint.h>\n\n")[1].removesuffix("\n#endif\n")
    own = files["pw_model.c"].replace('#include "pw_weights.h"\n', tables) + functions
    code = _renamed(own)
    header = _renamed(files["pw_model.h"].replace(" * Bytes: not measured.\n", ""))
    header = header.replace("/* Version of the generator", _DECLARATIONS)
    at = header.index("/* Everything that the model remembers")
    return {"pw_watch.h": f"{header[:at]}{_ABOUT}\n{header[at:]}", "pw_watch.c": code}


def _renamed(text: str) -> str:
    """Return text with every name of the model's made one of the watching stage's."""
    text = text.replace("pw_model.h", "pw_watch.h").replace("pw_model.c", "pw_watch.c")

    def own(match: re.Match[str]) -> str:
        name = match[0]
        kept = name in _SHARED or name.startswith(("pw_watch", "PW_WATCH"))
        return name if kept else f"{match[1]}_{'watch' if match[1] == 'pw' else 'WATCH'}_{match[2]}"

    text = re.sub(r"\b(pw|PW)_(\w+)", own, text)
    text = re.sub(r"\bPW_WATCH_S(\d+)_", r"PW_WATCH_W\1_", text)
    text = re.sub(r"\bs(\d+)_", r"w\1_", text)
    text = re.sub(r"\b(finish|over|note_row|wipe_many)\(", r"watch_\1(", text)
    lines = text.splitlines()
    before = ["", *lines]
    return "".join(
        _wrapped(line, of_macro=line.endswith("\\") or above.endswith("\\"))
        for above, line in zip(before, lines, strict=False)
    )


def _wrapped(line: str, *, of_macro: bool = False) -> str:
    """Return a line that longer names made too long as two: of a comment, a head or a macro."""
    if len(line) <= LINE_LENGTH:
        return f"{line}\n"
    if of_macro:  # which ends where a line does not say that it goes on
        goes_on = line.endswith("\\")
        words = line.removesuffix("\\").rstrip()
        parts = textwrap.wrap(words, LINE_LENGTH - 2, initial_indent=4 * " ",
                              subsequent_indent=8 * " ")  # fmt: skip
        return " \\\n".join(parts) + (" \\\n" if goes_on else "\n")
    indent = " * " if line.startswith(" * ") else 8 * " "
    words = line.removeprefix(" * ") if indent == " * " else line
    first = indent if indent == " * " else ""
    lines = textwrap.wrap(words, LINE_LENGTH - 2, initial_indent=first, subsequent_indent=indent)
    return "".join(f"{one}\n" for one in lines)
