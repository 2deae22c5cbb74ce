"""How many planted faults a board's self-test finds: constants, operators and the order of lines.

Run as a script: ``python tests/bench/bench_selftest_faults.py [--model models/dynamic]``.
One fault at a time is planted into what a compiler sees of ``pw_model.c`` and ``pw_weights.h``: for
this machine, and with ``--core`` for an emulated one, whose assembly is then among what is changed.
A fault that the self-test lets pass is run on other frames, whole and by rows: recorded ones, and
pseudo-random ones. If nothing that the model gives or keeps differs there either, it is counted as
equivalent; else it is printed, and counts against the self-test.
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "runtime"))

from firmware_models import random_frames

from runtime.errors import ToolError
from runtime.firmware.emit.folder import firmware_text
from runtime.firmware.machine.compile import HOST, CompiledFirmware, compile_for
from runtime.firmware.machine.execute import execute, run_selftest
from runtime.firmware.machine.layout import Records
from runtime.model import load_model
from runtime.sample_frames import read_test_frames

_SWAPS = {
    "<=": "<", ">=": ">", "<": "<=", ">": ">=", "==": "!=", "!=": "==", "&&": "||", "||": "&&",
    "+=": "-=", "-=": "+=", "<<": ">>", ">>": "<<", "+": "-", "-": "+", "*": "+", "&": "|",
}  # fmt: skip
_TOKEN = re.compile(
    r"(?P<word>[A-Za-z_]\w*)|(?P<number>0[xX][0-9a-fA-F]+|\d+)|(?P<operator>->|\+\+|--|<<=|>>=|"
    r"\|\||&&|<=|>=|==|!=|\+=|-=|<<|>>|[-+*<>&])"
)
_INSTRUCTIONS = {
    "add ": "sub ", "adds ": "subs ", "subs ": "adds ", "smlad ": "smladx ", "asr ": "lsr ",
    "bcs ": "bcc ", "bgt ": "bge ", "ble ": "blt ", "ssub16 ": "sadd16 ", "ldrsh ": "ldrh ",
    "ldrsb ": "ldrb ", "lsls ": "lsrs ", "umaal ": "umlal ",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Fault:
    """One change of one file: a stretch of its text and what stands there instead."""

    name: str
    start: int
    end: int
    text: str
    what: str


def active_lines(folder: Path, flags: list[str]) -> dict[str, set[int]]:
    """Return the lines of each file that the preprocessor leaves, by file."""
    done = subprocess.run(
        [*flags, "-E", str(folder / "pw_model.c")], capture_output=True, text=True, check=True
    )
    found: dict[str, set[int]] = {"pw_model.c": set(), "pw_weights.h": set()}
    name, number = "", 0
    for line in done.stdout.splitlines():
        mark = re.match(r'# (\d+) "(.*?)"', line)
        if mark:
            name, number = Path(mark[2]).name, int(mark[1])
            continue
        if line.strip() and name in found:
            found[name].add(number)
        number += 1
    return found


def faults(folder: Path, active: dict[str, set[int]]) -> list[Fault]:
    """Return every fault that is known how to plant."""
    found: list[Fault] = []
    for name, lines in active.items():
        text = (folder / name).read_text()
        bare = re.sub(r"/\*.*?\*/", lambda m: re.sub(r"[^\n]", " ", m[0]), text, flags=re.S)
        starts = np.cumsum([0] + [len(line) + 1 for line in bare.split("\n")]).tolist()
        every = bare.split("\n")
        for number, line in enumerate(every, start=1):
            start = starts[number - 1]
            in_macro = name == "pw_model.c" and '"' in line and "\\n" in line
            if line.startswith("#") and not in_macro:
                continue
            if in_macro:
                found += _of_assembly(name, number, start, line)
            elif number in lines:
                found += _of_line(name, number, start, line)
                following = every[number] if number < len(every) else ""
                found += _of_order(name, number, start, line, following)
    return found


def _of_line(name: str, number: int, start: int, line: str) -> list[Fault]:
    if "static_assert" in line or "typedef" in line or "pw_shift_is" in line:
        return []
    found, declares = [], re.match(r"(static|PW_|const \w+ \w+\[|\s+u?int\d+_t \w+\[)", line)
    for token in _TOKEN.finditer(line):
        at, stop, here = start + token.start(), start + token.end(), f"{name}:{number}"
        if token["number"] and not (declares and "[" in line[: token.start()].split("=")[0]):
            value = int(token["number"], 0)
            for new in (value + 1, value - 1):
                if new >= 0:
                    found.append(Fault(name, at, stop, str(new), f"{here} {value} -> {new}"))
        elif token["operator"] in _SWAPS and not declares:
            old, new_text = token["operator"], _SWAPS[token["operator"]]
            around = line[max(0, token.start() - 1) : token.end() + 1]
            if around.startswith(" ") and around.endswith(" "):  # binary, and no pointer
                found.append(Fault(name, at, stop, new_text, f"{here} {old} -> {new_text}"))
    return found


def _of_order(name: str, number: int, start: int, line: str, following: str) -> list[Fault]:
    own, other = line.strip(), following.strip()
    if not own.endswith(";") or own.startswith(("return", "}", "#")) or " = {" in own:
        return []
    indent = len(line) - len(line.lstrip())
    here, found = f"{name}:{number}", []
    declares = re.match(r"(const |u?int\d+_t |static |register |typedef )", own) is not None
    if indent and not declares:
        found.append(Fault(name, start, start + len(line), "", f"{here} left out: {own[:50]}"))
    both_plain = other.endswith(";") and not other.startswith(("return", "const", "int", "uint"))
    if indent and not declares and both_plain and len(following) - len(other) == indent:
        end = start + len(line) + 1 + len(following)
        swapped = f"{following}\n{line}"
        found.append(Fault(name, start, end, swapped, f"{here} after the next: {own[:50]}"))
    return found


def _of_assembly(name: str, number: int, start: int, line: str) -> list[Fault]:
    found, here = [], f"{name}:{number}"
    for old, new in _INSTRUCTIONS.items():
        for at in (m.start() for m in re.finditer(rf'(?<=["\t]){re.escape(old)}', line)):
            found.append(
                Fault(name, start + at, start + at + len(old), new, f"{here} {old}-> {new}")
            )
    for m in re.finditer(r"#(\d+)", line):
        new = str(int(m[1]) + 1)
        found.append(
            Fault(name, start + m.start(1), start + m.end(1), new, f"{here} #{m[1]} -> #{new}")
        )
    return found


class Judge:
    """The folder without a fault, and what tells whether another one is different."""

    def __init__(self, model_dir: Path, core: str) -> None:
        self.core = core
        self.compiler = "gcc" if core == HOST else "arm-none-eabi-gcc"
        self.model = load_model(model_dir)
        self.files = firmware_text(self.model)
        recorded = read_test_frames(model_dir, self.model, 150)
        drawn = random_frames(self.model, 40)
        self.frames = tuple(np.concatenate(pair) for pair in zip(recorded, drawn, strict=True))
        with tempfile.TemporaryDirectory() as folder:
            self._write(Path(folder), None)
            self.active = active_lines(Path(folder), self._flags())
            self.every = faults(Path(folder), self.active)
            self.right = self._answers(self._compiled(Path(folder)))

    def _flags(self) -> list[str]:
        if self.core == HOST:
            return ["gcc"]
        return ["arm-none-eabi-gcc", f"-mcpu={self.core}", "-mthumb"]

    def _write(self, folder: Path, fault: Fault | None) -> None:
        for name, text in self.files.items():
            if fault is not None and name == fault.name:
                text = text[: fault.start] + fault.text + text[fault.end :]
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_text(text)

    def _compiled(self, folder: Path) -> CompiledFirmware:
        return compile_for(folder, self.core, compiler=self.compiler, optimise="-O1", selftest=True)

    def _answers(self, compiled: CompiledFirmware) -> tuple[Records, Records]:
        return (
            execute(compiled, *self.frames), execute(compiled, *self.frames, by_rows=True)
        )  # fmt: skip

    def verdict(self, fault: Fault) -> str:
        """Return found, missed, equivalent, or refused where it does not compile."""
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            self._write(folder, fault)
            try:
                compiled = self._compiled(folder)
            except ToolError:
                return "refused"
        return self._apart(compiled)

    def _apart(self, compiled: CompiledFirmware) -> str:
        """Ask another process: a fault may crash or never end."""
        import multiprocessing

        context = multiprocessing.get_context("fork")
        reader, writer = context.Pipe(duplex=False)
        process = context.Process(target=self._ask, args=(compiled, writer))
        process.start()
        process.join(40)
        if process.is_alive():
            process.kill()
            return "found"
        return reader.recv() if reader.poll() else "found"  # it crashed: a board would too

    def _ask(self, compiled: CompiledFirmware, writer: object) -> None:
        if run_selftest(compiled) != 0:
            answer = "found"
        else:
            answer = "equivalent" if self._same(self._answers(compiled)) else "missed"
        writer.send(answer)  # type: ignore[attr-defined]

    def _same(self, answers: tuple[Records, Records]) -> bool:
        for right, given in zip(self.right, answers, strict=True):
            pairs = [(right.outputs, given.outputs), (right.evidence, given.evidence)]
            pairs += [(values, given.state[name]) for name, values in right.state.items()]
            if not all(np.array_equal(a, b) for a, b in pairs):
                return False
        return True


def main() -> None:
    """Plant, count, and print those that went by."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--model", type=Path, default=Path("models/dynamic"))
    parser.add_argument("--core", default=HOST)
    parser.add_argument("--faults", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    judge = Judge(asked.model, asked.core)
    rng = np.random.default_rng(asked.seed)
    code = [f for f in judge.every if f.name == "pw_model.c"]
    tables = [f for f in judge.every if f.name == "pw_weights.h"]
    n_tables = min(len(tables), asked.faults // 4)
    chosen = [code[i] for i in rng.permutation(len(code))[: asked.faults - n_tables]]
    chosen += [tables[i] for i in rng.permutation(len(tables))[:n_tables]]
    count = dict.fromkeys(("found", "missed", "equivalent", "refused"), 0)
    for fault in chosen:
        verdict = judge.verdict(fault)
        count[verdict] += 1
        if verdict == "missed":
            print(f"  missed: {fault.what}", flush=True)
        if sum(count.values()) % 20 == 0:
            print(f"  so far: {count}", flush=True)
    n = count["found"] + count["missed"]
    print(
        f"{asked.model} on {asked.core}: {count['found']} of {n} faults found "
        f"({count['found'] / max(1, n):.1%}); {count['equivalent']} changed nothing on "
        f"{len(judge.frames[0])} other frames either, {count['refused']} did not compile; "
        f"{len(code)} faults of code and {len(tables)} of tables are known how to plant"
    )


if __name__ == "__main__":
    main()
