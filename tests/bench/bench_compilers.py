"""Every compiler, level, frame pointer and position on every core: the same bits, and the cost.

Run as a script: ``python tests/bench/bench_compilers.py [--model models/dynamic] [--frames 64]``.
First come the instructions and cycles of a frame by each compiler that is installed, beside zig's,
which the budget is priced with; then every build, one line for each that is refused or differs.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "runtime"))

from compiler_matrix import COMPILERS, every_build, installed

from runtime.errors import ToolError
from runtime.firmware.emit.generate import generate
from runtime.firmware.machine.compile import compiler_version, cores_of
from runtime.firmware.machine.execute import execute
from runtime.firmware.profile import profile
from runtime.model import Model, load_model
from runtime.sample_frames import read_test_frames
from runtime.stages.contract.stage import Counts
from runtime.verification.verify import compare, reference_records


def prices(model: Model, compilers: list[str], lit: Counts, dark: Counts) -> None:
    """Print what a frame costs by each compiler at -O2, beside zig."""
    of_zig: dict[str, float] = {}
    for compiler in compilers:
        print(compiler_version(compiler))
        for core in cores_of(compiler):
            found = profile(model, core, lit, dark, compiler=compiler)
            count = found.instructions_per_frame
            of_zig.setdefault(core, count)
            print(
                f"  {core:14} {count:9.0f} instructions ({count / of_zig[core] - 1:+6.1%} of zig) "
                f"{found.cycles_per_frame[1]:9.0f} cycles {found.code_bytes:6} bytes of code "
                f"{found.stack_bytes:4} of stack"
            )


def builds(model: Model, compilers: list[str], lit: Counts, dark: Counts) -> int:
    """Execute every build; print and count those that are refused or differ."""
    reference = reference_records(model, lit, dark)
    every, n_wrong = every_build(tuple(compilers)), 0
    with tempfile.TemporaryDirectory() as folder:
        for name, text in generate(model).items():
            (Path(folder) / name).write_text(text)
        for build in every:
            try:
                found = compare(reference, execute(build.compiled(Path(folder)), lit, dark))
            except ToolError as error:
                found = str(error)
            if found:
                n_wrong += 1
                print(f"{build}: {found}")
    print(f"{len(every)} builds of {model.name}, {len(lit)} frames each: {n_wrong} wrong")
    return n_wrong


def main() -> None:
    """Print both."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--model", type=Path, default=Path("models/dynamic"))
    parser.add_argument("--frames", type=int, default=64)
    parser.add_argument("--prices-only", action="store_true")
    asked = parser.parse_args()
    model = load_model(asked.model)
    lit, dark = read_test_frames(asked.model, model, asked.frames)
    compilers = [name for name in COMPILERS if installed(name)]
    prices(model, compilers, lit[:40], dark[:40])
    if not asked.prices_only and builds(model, compilers, lit, dark):
        raise SystemExit(1)


if __name__ == "__main__":
    main()
