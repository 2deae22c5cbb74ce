"""The watching stage beside the model that it wakes: ``pw_watch.c`` and ``pw_watch.h``.

It is the same text as that of any model, under names of its own (``pw_watch_`` instead of ``pw_``),
with its few constants inside, so that both can be linked into one program.
"""

from __future__ import annotations

import re
import textwrap

from runtime.firmware.emit.generate import generate
from runtime.firmware.watching import WARM_UP_FRAMES, watching_model
from runtime.sensor import Sensor
from runtime.stages.contract.c_text import LINE_LENGTH

__all__ = ["WATCH_FILES", "watch_text"]

WATCH_FILES = ("pw_watch.h", "pw_watch.c")
"""The files of the watching stage in a firmware folder."""

_SHARED = ("PW_PLAIN_C", "PW_TRUST_ROWS", "PW_CHECK_COUNTS")
"""What a build asks for counts for both."""

_ABOUT = f"""\
/* The watching stage: read the middle rows now and then, in weak light, and feed them here;
 * PW_WATCH_CLASS_MOVING wakes the model of pw_model.h. Begin anew by pw_watch_init each time before
 * the model sleeps: the first {WARM_UP_FRAMES} frames fill the mean of changes, and what is decided
 * on them is not to be heeded. */
#define PW_WATCH_WARM_UP_FRAMES {WARM_UP_FRAMES}
"""


def watch_text(sensor: Sensor) -> dict[str, str]:
    """Return the files of the watching stage for a sensor, by name."""
    files = generate(watching_model(sensor))
    tables = files["pw_weights.h"].split("#include <stdint.h>\n\n")[1].removesuffix("\n#endif\n")
    code = _renamed(files["pw_model.c"].replace('#include "pw_weights.h"\n', tables))
    header = _renamed(files["pw_model.h"].replace(" * Bytes: not measured.\n", ""))
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
    text = re.sub(r"\b(finish|over|note_row)\(", r"watch_\1(", text)
    return "".join(_wrapped(line) for line in text.splitlines())


def _wrapped(line: str) -> str:
    """Return a line that longer names made too long as two: a comment, or a function's head."""
    if len(line) <= LINE_LENGTH:
        return f"{line}\n"
    indent = " * " if line.startswith(" * ") else 8 * " "
    words = line.removeprefix(" * ") if indent == " * " else line
    first = indent if indent == " * " else ""
    lines = textwrap.wrap(words, LINE_LENGTH - 2, initial_indent=first, subsequent_indent=indent)
    return "".join(f"{one}\n" for one in lines)
