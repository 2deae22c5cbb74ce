"""An hour of a bench trace at 100 kS/s: time and memory that `palmwatt measure` takes, and errors.

Run it with `python tests/bench/bench_trace.py`; `--form sr` writes a session file first and reads
that, `--form csv` likewise; `--seconds 60` is a short one. Prints samples a second of a processor
(a stream is synthesised meanwhile), the largest memory of the process, and each phase's error
against the state machine that was synthesised.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "runtime"))

from trace_bench import Bench, Synthesis, device

from runtime.trace.measurement import Expected, measure_trace, open_trace
from runtime.trace.reading.bench_file import read_bench_file

RANGES = ((1_000.0, 0.1, 0.02, 1.0005), (200_000.0, 20.0, 2.0, 0.999))


def main() -> None:
    """Measure one synthetic trace."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--seconds", type=float, default=3600.0)
    words.add_argument("--rate", type=float, default=100_000.0)
    words.add_argument("--form", choices=("stream", "sr", "csv"), default="stream")
    given = words.parse_args()
    bench = Bench(
        rate_hz=given.rate, duration_s=given.seconds, ranges=RANGES, jitter_us=100.0,
        compute_jitter=0.03, clock_ppm=30.0,
    )  # fmt: skip
    synthesis = Synthesis(device(), bench, seed=11)
    made = synthesis.made
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"trace.{given.form}"
        if given.form == "stream":
            trace, bench_file = synthesis.trace()
            path.write_bytes(b"")
            trace = type(trace)(path, trace.blocks, trace.rate_hz)
        else:
            write = synthesis.write_session if given.form == "sr" else synthesis.write_csv
            write(path)
            bench_file = read_bench_file(path.with_suffix(".toml"))
            trace = open_trace(path, bench_file)
        started, busy = time.perf_counter(), time.process_time()
        expected = Expected(made.pulse_us, made.period_us / 1e6)
        found = measure_trace(trace, bench_file, expected, np.random.default_rng(1))
        took, busy = time.perf_counter() - started, time.process_time() - busy
    largest = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{found.n_samples:,} samples, {found.n_frames:,} frames in {took:.1f} s, "
        f"{busy:.1f} s of a processor ({found.n_samples / busy / 1e6:.1f} million samples a "
        f"second), at most {largest:.0f} MB"
    )
    true = synthesis.truth.charge_nc
    for one in found.phases:
        charge = one.charge_nc
        print(
            f"  {one.phase:8} {charge.mean:10.3f} nC, {charge.mean / true[one.phase] - 1:+.3%}, "
            f"interval {charge.both.low / true[one.phase] - 1:+.2%} to "
            f"{charge.both.high / true[one.phase] - 1:+.2%}"
        )


if __name__ == "__main__":
    main()
