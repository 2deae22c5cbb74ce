"""A model folder's files against what the model gives: made again, and compared byte for byte.

What cannot be made again here, because it came of recordings, is held to its fingerprint.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Any

from runtime.errors import FormatError
from runtime.files import FINGERPRINTS, fingerprint, read_fingerprints, read_limited
from runtime.firmware.emit.folder import FIRMWARE_FILES, firmware_text
from runtime.firmware.emit.scenes import KEYS
from runtime.firmware.machine.compile import compiler_version
from runtime.firmware.setting import read_setting
from runtime.model import Model, model_files
from runtime.onnx.graph import build_step_graph, build_window_graph
from runtime.onnx.steps import read_graph

if TYPE_CHECKING:
    from onnx import ModelProto

__all__ = ["changed_files", "changed_graph", "changed_text", "law_is_kept"]

_MAX_BYTES = 1 << 28
_STAGE = re.compile(r"/\* Stage (s\d+: \w+)\. \*/")
_TABLE = re.compile(r"\b(s\d+)_\w+\[\d+\] = \{")
_KEYS = re.compile(r"pw_vectors_keys\[\d+\] = \{([\s\d,]{1,4000})\}")
_MOST_KEYS = 256
_SIZES = re.compile(r" \* Flash .*\n \* on [\w-]+ compiled by (.*) with -O\w\.\n")


def changed_text(model: Model, folder: Path) -> str:
    """Return where a file of the firmware first is not what the model gives, or nothing.

    The header's bytes are compared where the compiler that counted them is the one installed.

    Raises
    ------
    FormatError, UsageError
        A file is missing or too long.
    """
    setting = read_setting(folder, model.sensor)
    generated = firmware_text(model, _keys(folder / "firmware" / "pw_vectors.h"), setting)
    for name in FIRMWARE_FILES:
        path = folder / "firmware" / name
        if not path.is_file():
            raise FormatError(str(path), "the file", "missing", "present", "export the model anew")
        found = read_limited(path, _MAX_BYTES)
        wanted = generated[name].encode("ascii")
        if name == "pw_model.h":
            found, wanted = _without_foreign_sizes(found), _without_foreign_sizes(wanted)
        if found != wanted:
            return _first_line(name, found.decode("utf-8", "replace"), wanted.decode("ascii"))
    return ""


def _keys(path: Path) -> tuple[int, ...] | None:
    """Return the scenes of the self-test on disk, or none where they cannot be: they are free.

    What the reference gives on them is not.
    """
    found = _KEYS.search(read_limited(path, _MAX_BYTES).decode("utf-8", "replace"))
    keys = tuple(int(key) for key in found[1].split(",") if key.strip()) if found else ()
    whole = 0 < len(keys) <= _MOST_KEYS and len(keys) % KEYS == 0
    return keys if whole and max(keys) < 1 << 16 else None


def _without_foreign_sizes(header: bytes) -> bytes:
    """Return a header without its bytes where another compiler counted them."""
    text = header.decode("utf-8", "replace")
    sizes = _SIZES.search(text)
    if sizes is None or sizes[1] == compiler_version("zig"):
        return header
    return text.replace(sizes[0], "").encode()


def _first_line(name: str, found: str, wanted: str) -> str:
    """Return the first line that differs, and the stage that it belongs to."""
    stage = ""
    lines = zip_longest(found.split("\n"), wanted.split("\n"))
    for number, (own, right) in enumerate(lines, start=1):
        for known in (_STAGE.search(right or ""), _TABLE.search(right or "")):
            stage = f", stage {known[1].replace(':', '')}," if known else stage
        if own != right:
            return f"{name} line {number}{stage} is not what the model gives"
    return f"{name} ends its lines otherwise"


def changed_graph(model: Model, path: Path, *, window: bool) -> str:
    """Return what in an integer ONNX file first is not what the model gives, or nothing.

    Raises
    ------
    FormatError, UsageError
        The file is missing or too long, or no ONNX file.
    """
    built = (build_window_graph if window else build_step_graph)(model)
    found = read_limited(path, _MAX_BYTES)
    if found == built.SerializeToString(deterministic=True):
        return ""
    own, right = (list(_named_parts(proto)) for proto in (read_graph(path), built))
    for one, other in zip_longest(own, right):
        if one != other:
            name = (other or one or ("end",))[0]
            return f"{path.name}: {name} is not what the model gives"
    return f"{path.name}: its bytes are not what the model gives"


def _named_parts(proto: ModelProto) -> Iterator[tuple[str, bytes]]:
    """Yield each part of a graph by a name that tells its stage, in the order of execution."""
    yield "head", f"{proto.ir_version} {proto.opset_import} {proto.graph.name}".encode()
    yield from _graph_parts(proto.graph)
    for entry in proto.metadata_props:
        yield f"metadata {entry.key}", entry.value.encode()


def _graph_parts(graph: Any) -> Iterator[tuple[str, bytes]]:
    for value in (*graph.input, *graph.output):
        yield f"input or output {value.name}", value.SerializeToString(deterministic=True)
    for tensor in graph.initializer:
        yield f"table {tensor.name}", tensor.SerializeToString(deterministic=True)
    for node in graph.node:
        for attribute in node.attribute:
            if attribute.HasField("g"):
                yield from _graph_parts(attribute.g)
        yield f"node {node.name}", node.SerializeToString(deterministic=True)


def changed_files(model: Model, folder: Path) -> str:
    """Return the first file that is not the one written with the model, or nothing.

    ``model.json`` and ``weights.npz`` are compared with what the loaded model writes; every file of
    ``fingerprints.json`` with its fingerprint.

    Raises
    ------
    FormatError, UsageError
        A file is missing, or the fingerprints are none.
    """
    for name, content in model_files(model).items():
        if read_limited(folder / name, _MAX_BYTES) != content:
            return f"{name} is not as it was written: loaded and written again it is another"
    _refuse_damaged(folder)
    if not (folder / FINGERPRINTS).exists():
        return ""
    for name, wanted in read_fingerprints(folder).items():
        if fingerprint(folder / name) != wanted:
            return f"{name} is not the file that was written with the model"
    return ""


def _refuse_damaged(folder: Path) -> None:
    """Refuse files that are there and are not even of their kind."""
    graph = folder / "float.onnx"
    if graph.exists():
        read_graph(graph)
    for name in ("evaluation.json", "budget.json", "profile.json"):
        path = folder / name
        if path.exists():
            try:
                json.loads(read_limited(path, _MAX_BYTES))
            except (ValueError, RecursionError) as error:
                if isinstance(error, FormatError):
                    raise
                raise FormatError(str(path), "content", "damaged", "JSON") from None


def law_is_kept(folder: Path) -> bool:
    """Tell whether the model's own two files are those that were written, as far as is known."""
    if not (folder / FINGERPRINTS).exists():
        return True
    known = read_fingerprints(folder)
    law = ("model.json", "weights.npz")
    return all(known.get(name, "") in ("", fingerprint(folder / name)) for name in law)
