"""The model card: what a model is for, how well it was seen to work, and on whom."""

from __future__ import annotations

from typing import Any

from runtime.model import Model
from runtime.sensor import Sensor
from trainer.tell.occupancy import (
    CAUTIONS,
    occupancy_headings,
    occupancy_rows,
    occupancy_words,
)
from trainer.tell.quantity import quantity_rows, quantity_words
from trainer.tell.sentences import (
    below_words,
    emulated_words,
    event_words,
    left_out_words,
    untold_words,
    worst_words,
)
from trainer.tell.source import source_card_lines
from trainer.tell.tables import PIPELINES, difference_text, differences_of, figure_text

__all__ = ["model_card"]

_CONSENT = ("- Recordings of people need their consent, and are deleted with it.",)
_LIGHT = ("- Light into eyes: judge the LED's drive by IEC 62471 before anybody sits before it.",)


def model_card(model: Model, evaluation: dict[str, Any]) -> str:
    """Return the card as Markdown; no date, so that the same model gives the same bytes.

    Parameters
    ----------
    model : Model
    evaluation : dict
        Content of evaluation.json.
    """
    sensor = model.sensor
    closing = model.closing
    tells = f"Answers: {', '.join(model.classes)}"
    if closing.tells != "event":
        tells = f"Tells {closing.tells}: {', '.join(o.name for o in closing.outputs()[1:])}"
    lines = [
        f"# {model.name}",
        "",
        f"Task: {model.task.replace('_', ' ')}. {tells}.",
        "",
        "## Input",
        "",
        f"Frame pairs of sensor {sensor.name}: {sensor.n_rows} x {sensor.n_cols} pixels, "
        f"{sensor.bit_depth} bits, {sensor.frame_rate_hz:g} pairs a second, "
        f"{_led_words(sensor)}. "
        "Raw counts; no image is reconstructed.",
        "",
        "## Stages",
        "",
        "| stage | values in | values out |",
        "| --- | --- | --- |",
        *(f"| {stage.kind} | {stage.n_in} | {stage.n_out} |" for stage in model.stages),
        "",
        *_seldom_lines(model),
        *_found_lines(evaluation),
        "## Limits",
        "",
        f"- Recorded by: {', '.join(evaluation['recorded_by'])}.",
        *([f"- {said}"] if (said := emulated_words(evaluation)) else []),
        *(f"- {caution['text']}" for caution in evaluation.get("cautions", ())),
        *([f"- {said}"] if (said := left_out_words(evaluation)) else []),
        "- evaluation.html shows the figures over field and range."
        if "source" in evaluation
        else "- evaluation.html shows the figures, person by person."
        if "quantity" in evaluation
        else "- evaluation.html shows the figures, place by place."
        if "occupancy" in evaluation
        else "- evaluation.html shows the figures, the groups and the worst takes.",
        *(f"- {caution}" for caution in (CAUTIONS if "occupancy" in evaluation else ())),
        *(_LIGHT if sensor.led_current_ma else ()),
        *(() if "source" in evaluation else _CONSENT),
        "",
        f"Recipe {model.provenance['recipe']} as given, {model.provenance['recipe_as_fitted']} as "
        f"fitted to the sensor's frame rate and to the takes, data {model.provenance['data']} "
        "(SHA-256).",
        "",
    ]
    return "\n".join(lines)


def _led_words(sensor: Sensor) -> str:
    if not sensor.led_current_ma:
        return "no LED lit"
    return f"LED {sensor.led_wavelength_nm:g} nm at {sensor.led_current_ma:g} mA"


def _seldom_lines(model: Model) -> list[str]:
    """Say how old an answer's window may be where a head does not run on every frame."""
    every = max(model.run_every)
    if every == 1:
        return []
    age_ms = 1e3 * (every - 1) / model.sensor.frame_rate_hz
    said = (
        f"Behind the skip, stages without a memory run on one of {every} frames: what they tell "
        f"is up to {age_ms:.0f} ms old. Events, their latency and the price are counted with that."
    )
    return [said, ""]


def _stream_lines(evaluation: dict[str, Any]) -> list[str]:
    if "events" not in evaluation:
        return []
    return ["## Events", "", event_words(evaluation["events"]), ""]


def _found_lines(evaluation: dict[str, Any]) -> list[str]:
    """Return what was found: recognition, events and groups, or the errors of a quantity."""
    people, uses = evaluation["participants"], len(evaluation["test_uses"])
    used = (
        f"The locked participants were used by {uses} model(s) of this "
        "task so far; each use is listed in evaluation.json."
    )
    if "source" in evaluation:
        return [*source_card_lines(evaluation), used.replace("participants", "recordings"), ""]
    if "quantity" in evaluation:
        return _quantity_lines(evaluation, used)
    if "occupancy" in evaluation:
        return _occupancy_lines(evaluation, used)
    takes = evaluation["fixed"]["accuracy"]["n_takes"]
    return [
        "## Recognition",
        "",
        f"{takes} takes of {len(people['test'])} participants who were locked away from training "
        f"({', '.join(people['test'])}); trained on {len(people['train'])} others "
        f"({', '.join(people['train'])}). 95 % intervals over participants.",
        "",
        "| pipeline | accuracy | macro F1 |",
        "| --- | --- | --- |",
        *(
            f"| {label} | {figure_text(evaluation[key]['accuracy'])} "
            f"| {figure_text(evaluation[key]['macro_f1'])} |"
            for key, label in PIPELINES.items()
            if key in evaluation
        ),
        "",
        *(f"- {label}: {difference_text(found)}" for label, found in differences_of(evaluation)),
        "",
        "Everybody in turn: each of the others was asked about by a model fitted without them, the "
        "locked ones by the model itself. Differences are paired over people.",
        "",
        used,
        "",
        *_stream_lines(evaluation),
        "## For whom it works less well",
        "",
        f"- Locked participants: {worst_words(evaluation['worst_group'], evaluation['groups'])}",
        f"- Training participants in turn: "
        f"{worst_words(evaluation['worst_group_in_turn'], evaluation['groups_in_turn'])}",
        *(f"- {sentence}" for sentence in below_words(evaluation["groups_in_turn"])),
        *([f"- {said}"] if (said := untold_words(evaluation)) else []),
        "",
    ]


def _occupancy_lines(evaluation: dict[str, Any], used: str) -> list[str]:
    words, people = occupancy_words(evaluation), evaluation["participants"]
    headings = occupancy_headings(evaluation)
    return [
        "## Presence and count",
        "",
        f"{words['title']} {words['places']}",
        "",
        f"Locked away from training: {', '.join(people['test'])}; trained on "
        f"{len(people['train'])} others ({', '.join(people['train'])}). 95 % intervals over "
        "places.",
        "",
        f"| {' | '.join(headings)} |",
        f"| {' | '.join('---' for _ in headings)} |",
        *(f"| {' | '.join(row[1:])} |" for row in occupancy_rows(evaluation)),
        "",
        used,
        "",
    ]


def _quantity_lines(evaluation: dict[str, Any], used: str) -> list[str]:
    words, people = quantity_words(evaluation), evaluation["participants"]
    return [
        "## Measurement",
        "",
        f"{words['title']} {words['takes']} {words['beside']}",
        "",
        words["interval"],
        "",
        f"Locked away from training: {', '.join(people['test'])}; trained on "
        f"{len(people['train'])} others ({', '.join(people['train'])}). 95 % intervals over "
        f"participants, {evaluation['quantity']['unit']}.",
        "",
        "| pipeline | root mean square | median, absolute | bias |",
        "| --- | --- | --- | --- |",
        *(f"| {' | '.join(row[1:])} |" for row in quantity_rows(evaluation)),
        "",
        used,
        "",
    ]
