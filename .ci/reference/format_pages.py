"""Pages of what is read and written: recipes, recordings, model folders, scripts, limits, parts."""

from __future__ import annotations

import dataclasses
import inspect
import re
from collections.abc import Iterator
from typing import Any, get_args

import numpy as np
import pdoc.docstrings
from command_page import table
from pydantic import BaseModel

import capture.booth.label_sheet
import capture.emulated.points.scene
import capture.lead.host_clock
import capture.store.dataset
import capture.store.forgotten
import capture.store.source_truth
import capture.store.writer
import capture.study.plan
import runtime.budget.inputs.library
import runtime.firmware.sensor_file
import runtime.firmware.setting
import runtime.stages.teaching.lesson
import runtime.stages.teaching.saved
import runtime.trace.parts_file
import runtime.trace.reading
import runtime.trace.reading.bench_file
import runtime.trace.reading.sigrok
import runtime.trace.reading.tables
import trainer.audit.limits
import trainer.audit.pictures.optic
import trainer.audit.whole
import trainer.choice.told
import trainer.choice.tried.knobs
import trainer.choice.worth.pick
import trainer.tell.export
from capture.booth.editlog import Entry
from capture.cues.labels import Event
from capture.cues.script import BUILT_IN, RIG_SCRIPTS, CueKind, Script
from capture.emulated.points.scene import PointScene
from capture.store.dataset import PARTICIPANT_COLUMNS, Participant
from capture.study.plan import Consent, Device, Drawn, PlannedScript, Station, Study
from capture.study.provenance import Provenance
from runtime.budget.inputs.controllers import State
from runtime.budget.inputs.library import KINDS, Curve, load_parts
from runtime.budget.inputs.part_values import Measured, Value
from runtime.budget.verdict.limits import Limits
from runtime.firmware.setting import DeviceSetting
from runtime.stages import kinds
from runtime.trace.reading.bench_file import BENCH_TABLES, BenchFile
from trainer.audit.findings import Finding
from trainer.audit.limits import Limit
from trainer.choice.tried.knobs import ActiveKnobs, SearchRules, WatchingKnobs, knobs_text
from trainer.recipe import Recipe, built_in_recipes

__all__ = ["STUDY_TABLES", "formats_page", "parts_page", "recipes_page"]

STUDY_TABLES: dict[str, type[BaseModel]] = {
    "consent": Consent,
    "script": PlannedScript,
    "device": Device,
    "station": Station,
    "drawn": Drawn,
}
"""Tables of ``study.toml``; of script, device and station there may be several."""

KNOB_TABLES: dict[str, type[BaseModel]] = {
    "active": ActiveKnobs,
    "watching": WatchingKnobs,
    "search": SearchRules,
}
"""Tables of a file of knobs, besides ``recipe``, whose keys are those of a recipe."""


def recipes_page() -> str:
    """Return the page of a recipe's keys."""
    lines = [
        "# Recipes: the keys of the file that a model is trained from", "",
        "One TOML file describes one model, from readout to decision. Built in: "
        + ", ".join(f"`{name}`" for name in built_in_recipes()) + ".", "",
        "## Keys of the recipe itself", "", _prose(Recipe), "",
    ]  # fmt: skip
    lines += _keys(Recipe, "", [n for n, f in Recipe.model_fields.items() if not _table_of(f)])
    for name, field in Recipe.model_fields.items():
        below = _table_of(field)
        if below is not None:
            lines += [f"## Table `[{name}]`", "", _prose(below), ""]
            lines += _keys(below, f"{name}.", list(below.model_fields))
    for name, text in built_in_recipes().items():
        lines += [f"## Recipe `{name}`", "", "```toml", text.rstrip(), "```", ""]
    return "\n".join(lines)


def formats_page() -> str:
    """Return the page of recordings, studies, model folders, scripts and limits."""
    lines = [
        "# Files: recordings, studies, model folders, cue scripts, limits",
        "",
        "The wire protocol and the parts have pages of their own.",
        "",
    ]
    lines += ["## Recordings", "", _prose(capture.store.dataset), ""]
    lines += ["### `participants.tsv`", ""]
    lines += [f"Required columns: {', '.join(PARTICIPANT_COLUMNS)}.", "", _prose(Participant), ""]
    lines += ["### `*_events.tsv`", "", _prose(Event), ""]
    lines += ["### `*_edits.jsonl`", "", _prose(capture.booth.label_sheet), "", _prose(Entry), ""]
    lines += ["### `forgotten.json`", "", _prose(capture.store.forgotten), ""]
    lines += ["### `*_readouts.mcap`", "", _prose(capture.store.writer), ""]
    lines += ["### `*_clock.tsv`", "", _prose(capture.lead.host_clock), ""]
    lines += ["```text", capture.store.writer.FRAME_SCHEMA.rstrip(), "```", ""]
    lines += ["### `*_truth.csv`", "", _prose(capture.store.source_truth), ""]
    lines += ["### `*_readouts.json`", "", _prose(Provenance), ""]
    lines += _keys(Provenance, "", list(Provenance.model_fields))
    lines += ["## Studies", "", _prose(capture.study.plan), "", _prose(Study), ""]
    lines += _keys(Study, "", list(Study.model_fields))
    for name, below in STUDY_TABLES.items():
        lines += [f"### Table `[{name}]`", "", _prose(below), ""]
        lines += _keys(below, f"{name}.", list(below.model_fields))
    lines += ["## Model folders", "", _prose(trainer.tell.export.write_model_folder), ""]
    lines += ["### Stages in `model.json`", ""]
    lines += [
        "`stages` is a list of objects, each with its `kind` and its numbers; arrays stand in "
        "`weights.npz`, named `s{stage}_{field}`. `provenance` holds SHA-256 digests: of the "
        "values of the `recipe` that was given (of two classifiers, with the one that was taken "
        "alone), of those it was fitted with (`recipe_as_fitted`: "
        "lengths in the sensor's frames, a window that reaches back to the cue), and of the "
        "`data`.", "",
    ]  # fmt: skip
    for kind, stage in sorted(kinds().items()):
        lines += [f"#### `{kind}`", "", _prose(stage), ""]
        rows = [(f"`{f.name}`", f"`{f.type}`") for f in dataclasses.fields(stage)]
        lines += table(("field", "type"), rows)
    lines += ["### What an owner taught a model", "", _prose(runtime.stages.teaching.saved), ""]
    lines += ["### How it is learned", "", _prose(runtime.stages.teaching.lesson), ""]
    lines += ["### `device.toml`", "", _prose(runtime.firmware.setting), ""]
    lines += [_prose(DeviceSetting), ""]
    rows = [(f"`{f.name}`", f"`{f.type}`") for f in dataclasses.fields(DeviceSetting)]
    lines += table(("key", "type"), rows)
    lines += ["## Cue scripts", "", f"Built in: {', '.join(f'`{name}`' for name in BUILT_IN)}.", ""]
    lines += _keys(Script, "", list(Script.model_fields))
    lines += [_prose(Script), "", "### Table `[[cue]]`", ""]
    lines += _keys(CueKind, "cue.", list(CueKind.model_fields))
    lines += [_prose(CueKind), "", "### Scripts of rigs and their scenes", ""]
    lines += [f"For `palmwatt emulate`: {', '.join(f'`{name}`' for name in RIG_SCRIPTS)}.", ""]
    lines += _keys(PointScene, "", list(PointScene.model_fields))
    lines += [
        _prose(capture.emulated.points.scene),
        "",
        _prose(PointScene),
        "",
        "## Limits",
        "",
        _prose(Limits),
        "",
    ]
    lines += _keys(Limits, "limits.", list(Limits.model_fields))
    lines += ["", "## Audits", "", _prose(trainer.audit.whole), ""]
    lines += ["### `findings.csv`", "", _prose(Finding), ""]
    lines += ["### `privacy.toml`", "", _prose(trainer.audit.limits), "", _prose(Limit), ""]
    lines += _keys(Limit, "limit.", list(Limit.model_fields))
    lines += ["### Calibrations of an optic", "", _prose(trainer.audit.pictures.optic), ""]
    lines += ["", "## Frontiers", "", _prose(trainer.choice.told), ""]
    lines += ["### Knobs", "", _prose(trainer.choice.tried.knobs), ""]
    lines += ["```toml", knobs_text().rstrip(), "```", ""]
    for name, below in KNOB_TABLES.items():
        lines += [f"#### Table `[{name}]`", "", _prose(below), ""]
        lines += _keys(below, f"{name}.", list(below.model_fields))
    lines += ["### Wishes", "", _prose(trainer.choice.worth.pick), ""]
    lines += ["## Sensor settings", "", _prose(runtime.firmware.sensor_file), ""]
    lines += ["", "## Traces of a device on a bench", "", _prose(runtime.trace.reading), ""]
    lines += ["### The TOML file beside a trace", "", _prose(runtime.trace.reading.bench_file), ""]
    plain = [n for n, f in BenchFile.model_fields.items() if n not in BENCH_TABLES]
    lines += _keys(BenchFile, "", plain)
    for name, kind in BENCH_TABLES.items():
        brackets = f"[[{name}]]" if name == "current.range" else f"[{name}]"
        lines += [f"#### Table `{brackets}`", "", _prose(kind), ""]
        lines += _keys(kind, f"{name}.", [n for n in kind.model_fields if n != "range"])
    lines += ["### Tables", "", _prose(runtime.trace.reading.tables), ""]
    lines += ["### Session files", "", _prose(runtime.trace.reading.sigrok), ""]
    lines += ["### The parts file that comes of one", "", _prose(runtime.trace.parts_file), ""]
    return "\n".join(lines)


def parts_page() -> str:
    """Return the page of the parts library."""
    lines = [
        "# Parts: the keys of the parts library",
        "",
        _prose(runtime.budget.inputs.library),
        "",
        "## Values",
        "",
        _prose(inspect.getmodule(Value)),
        "",
    ]
    lines += _keys(Value, "", list(Value.model_fields))
    for title, table_kind in (
        ("`measured` of a value", Measured),
        ("`voltage_points` of an LED", Curve),
        ("`[mcu.NAME.state.STATE]`", State),
    ):
        lines += [f"### Table {title}", "", _prose(table_kind), ""]
        lines += _keys(table_kind, "", list(table_kind.model_fields))
    library = load_parts()
    for name, kind in KINDS.items():
        lines += [f"## Kind `{name}`", "", _prose(kind), ""]
        lines += [f"In the library: {', '.join(f'`{one}`' for one in library.names(name))}.", ""]
        one = library.get(kind, library.names(name)[0])
        rows = []
        for key in kind.model_fields:
            value = getattr(one, key)
            unit = f"range and source, in `{value.unit}`" if isinstance(value, Value) else ""
            rows.append((f"`{key}`", unit or _words(_property(kind, key))))
        lines += table(("key", "value"), rows)
    return "\n".join(lines)


def _prose(documented: Any) -> str:
    """Return a docstring of NumPy's style as Markdown."""
    text = inspect.getdoc(documented) or ""
    text = re.sub(r"(?m)^::\n", "", text).replace("::\n", ":\n")
    return str(pdoc.docstrings.convert(text, "numpy", None))


def _table_of(field: Any) -> type[BaseModel] | None:
    """Return the table that a key holds, also one that may be left out; None for a plain value."""
    for kind in (field.annotation, *get_args(field.annotation)):
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            return kind
    return None


def _keys(model: type[BaseModel], before: str, names: list[str]) -> Iterator[str]:
    """Yield a table of keys with what each takes."""
    rows = []
    for name in names:
        field = model.model_fields[name]
        key = field.alias or name
        if field.is_required():
            default = "required"
        else:
            value = field.get_default(call_default_factory=True)
            default = "none" if value is None else f"`{_toml(value)}`"
        rows.append((f"`{before}{key}`", _words(_property(model, key)), default))
    yield from table(("key", "value", "default"), rows)


def _property(kind: type[BaseModel], key: str) -> dict[str, Any]:
    found: dict[str, Any] = kind.model_json_schema()["properties"][key]
    return found


def _toml(value: Any) -> str:
    if isinstance(value, tuple):
        return f"[{', '.join(_toml(each) for each in value)}]"
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else str(value)


def _words(schema: dict[str, Any]) -> str:
    """Say in words what a JSON schema lets pass."""
    if "$ref" in schema:
        return "tables"
    if "enum" in schema:
        return "one of " + ", ".join(f"`{_toml(each)}`" for each in schema["enum"])
    if "anyOf" in schema:
        kinds = [_words(each) for each in schema["anyOf"] if each.get("type") != "null"]
        return " or ".join(kinds)
    if schema.get("type") == "array":
        if "prefixItems" in schema:
            return "list: " + ", then ".join(_words(each) for each in schema["prefixItems"])
        count = _span(schema, "minItems", "maxItems")
        return f"list{f' of {count}' if count else ''}: each {_words(schema['items'])}"
    if schema.get("type") == "string":
        length = _span(schema, "minLength", "maxLength")
        pattern = f" of the form `{schema['pattern']}`" if "pattern" in schema else ""
        return f"text{pattern}{f' of {length} signs' if length else ''}"
    names = {"integer": "whole number", "number": "number", "boolean": "`true` or `false`"}
    word = names.get(str(schema.get("type")), "value")
    above = f" above {_number(schema['exclusiveMinimum'])}" if "exclusiveMinimum" in schema else ""
    below = f" below {_number(schema['exclusiveMaximum'])}" if "exclusiveMaximum" in schema else ""
    span = _span(schema, "minimum", "maximum")
    return f"{word}{above}{below}{f', {span}' if span else ''}"


def _span(schema: dict[str, Any], low: str, high: str) -> str:
    """Return the words for a range of which either end may be missing."""
    if low in schema and high in schema:
        if schema[low] == schema[high]:
            return _number(schema[low])
        return f"{_number(schema[low])} to {_number(schema[high])}"
    if low in schema:
        return f"at least {_number(schema[low])}"
    return f"at most {_number(schema[high])}" if high in schema else ""


def _number(value: float) -> str:
    return np.format_float_positional(value, trim="-")
