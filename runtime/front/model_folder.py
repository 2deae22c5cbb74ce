"""A model's folder for programs: write it, hold its executions against each other, price it."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path

from runtime.budget import Budget, Choice, Computation, budget, load_limits
from runtime.budget.verdict.margin import parse_margin
from runtime.errors import ArgumentError, UsageError
from runtime.files import as_path, whole_folder, write_fingerprints
from runtime.firmware.emit.folder import write_firmware
from runtime.firmware.machine.cores import find_core
from runtime.firmware.machine.execute import executable_cores
from runtime.firmware.setting import DeviceSetting
from runtime.model import Model, save_model
from runtime.onnx.graph import save_step_graph, save_window_graph
from runtime.sample_frames import write_test_frames
from runtime.stages.contract.chain import check_frames
from runtime.stages.contract.stage import Counts
from runtime.verification.verify import Verification
from runtime.verification.verify import verify as verify_executions

__all__ = ["export", "price", "verify", "write_executions"]


def write_executions(model: Model, folder: Path, setting: DeviceSetting | None = None) -> None:
    """Write all that a model is executed from: its numbers, both integer graphs, its C.

    A device's setting other than the sensor's own is kept as ``device.toml``.
    """
    save_model(model, folder)
    save_step_graph(model, folder / "fixed.onnx")
    save_window_graph(model, folder / "fixed_window.onnx")
    write_firmware(model, folder / "firmware", setting)


def export(model: Model, folder: Path | str, lit: Counts, dark: Counts) -> Path:
    """Write a model as a folder that can be verified and priced; the same bytes every time.

    ``model.json`` and ``weights.npz``, ``fixed.onnx`` (integers only, one frame pair) and
    ``fixed_window.onnx`` (the same over many), ``firmware/`` (C99), ``test_frames.npz``, and
    ``fingerprints.json``, to which :func:`verify` holds what cannot be made again. What
    training adds (evaluation, float ONNX, card) only :func:`trainer.train_model` can write.

    Parameters
    ----------
    model : Model
    folder : path
        Missing or empty.
    lit, dark : uint16 (n_frames, n_rows, n_cols)
        Frame pairs to verify and to profile with, as the sensor gave them; a few hundred.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    ArgumentError
        The model or the folder is none.
    FormatError
        The frame pairs are not the sensor's, or there are none.
    UsageError
        The folder is in use, or cannot be made.
    """
    out = as_path(folder, "folder")
    if not isinstance(model, Model):
        raise ArgumentError("export", "model", type(model).__name__, "a Model")
    check_frames(lit, dark, model.sensor)
    if not len(lit):
        raise UsageError("export", "number of frame pairs", 0, "at least 1")
    with whole_folder(out) as part:
        write_executions(model, part)
        write_test_frames(part, lit, dark)
        write_fingerprints(part)
    return out


def verify(
    folder: Path | str,
    *,
    cores: Sequence[str] | None = None,
    n_frames: int = 500,
    compiler: str = "zig",
) -> Verification:
    """Hold integer reference, ONNX, C on this host and C on emulated cores against each other.

    Parameters
    ----------
    folder : path
        A model folder.
    cores : sequence of str, optional
        Cores to execute on, such as ``cortex-m4``; by default all that the compiler has
        and that can be executed here (those with vectors want ``qemu-system-arm`` on the path).
    n_frames : int
        Frames of ``test_frames.npz`` to execute, at least 1.
    compiler : str
        ``zig``, or a GCC on the path such as ``arm-none-eabi-gcc``.

    Returns
    -------
    Verification
        ``ok`` says whether every bit agrees.

    Raises
    ------
    ArgumentError, UsageError
        An argument is wrong, such as an unknown core.
    FormatError
        A file of the folder is missing, cut, or not what it claims.
    ToolError
        A compiler or an emulated core failed.
    """
    path = as_path(folder, "folder")
    if not isinstance(n_frames, int) or n_frames < 1:
        raise UsageError("verify", "n_frames", repr(n_frames), "a whole number, at least 1")
    wanted = _cores(cores) or executable_cores(compiler)[0]
    return verify_executions(path, wanted, n_frames, compiler=compiler)


def price(
    folder: Path | str,
    *,
    cores: Sequence[str] | None = None,
    compiler: str = "zig",
    parts: Path | str | None = None,
    limits: Path | str | None = None,
    margin: str | None = None,
    **choice: str,
) -> Budget:
    """Price a model in cycles, bytes and microwatts, and judge it against a host.

    Nothing is written but ``profile.json``, which keeps what was executed; the command ``palmwatt
    budget`` does the same and writes it down.

    Parameters
    ----------
    folder : path
        A model folder.
    cores : sequence of str, optional
        Cores to profile; by default as for :func:`verify`. The chosen controller's is added.
    compiler : str
        As for :func:`verify`.
    parts : path, optional
        Your own parts, laid over the library.
    limits : path, optional
        Limits to hold the result against; ``Budget.keeps`` then answers.
    margin : str, optional
        What of the battery does not matter: ``0.1%/day`` (the default), ``5min/charge``, ``2mW``.
    **choice : str
        Names of parts of the library: ``host``, ``mcu``, ``led``, ``usage``, ``readout``,
        ``driver``, ``regulator``, ``sensor_link``, ``host_link``.

    Returns
    -------
    Budget
        ``average_uw`` is a median with a 90 % interval, ``verdict`` says whether it is shown to be
        below the margin, and ``to_json`` everything that it was worked out from.

    Raises
    ------
    ArgumentError, UsageError
        An argument is wrong, or a part or core is unknown.
    FormatError
        A file of the folder, of parts or of limits is faulty.
    ToolError
        A compiler or an emulated core failed.
    """
    path = as_path(folder, "folder")
    names = [field.name for field in dataclasses.fields(Choice)]
    for name, part in choice.items():
        if name not in names:
            raise UsageError("price", "choice", repr(name), f"one of {', '.join(names)}")
        if not isinstance(part, str):
            raise ArgumentError("price", name, type(part).__name__, "the name of a part")
    if margin is not None and not isinstance(margin, str):
        raise ArgumentError("price", "margin", type(margin).__name__, "a text such as 0.1%/day")
    return budget(
        path,
        choice=Choice(**choice),
        parts=None if parts is None else as_path(parts, "parts"),
        limits=None if limits is None else load_limits(as_path(limits, "limits")),
        cores=_cores(cores),
        compiler=compiler,
        computation=Computation(margin=None if margin is None else parse_margin(margin, "margin")),
    )


def _cores(cores: Sequence[str] | None) -> tuple[str, ...] | None:
    """Return the cores that were asked for, each of them known."""
    if cores is None:
        return None
    if isinstance(cores, str) or not all(isinstance(core, str) for core in cores):
        raise ArgumentError("call", "cores", repr(cores), "a list of cores' names")
    for core in cores:
        find_core(core)
    return tuple(cores)
