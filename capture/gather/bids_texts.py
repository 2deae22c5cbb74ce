"""The texts of an exported data set: what each column and folder holds, for who was not there."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from capture.cues.script import Script

__all__ = ["bids_task", "bids_tasks", "events_json", "participants_json", "readme"]

_PEOPLE: dict[str, dict[str, object]] = {
    "participant_id": {"Description": "Pseudonym of the participant."},
    "consent": {
        "Description": "Whether the person agreed to be recorded and to training with it.",
        "Levels": {"yes": "agreed", "no": "did not"},
    },
    "hand_length_mm": {
        "Description": "Wrist crease to the tip of the middle finger.",
        "Units": "mm",
    },
    "hand_breadth_mm": {"Description": "Across the palm at the knuckles.", "Units": "mm"},
    "handedness": {
        "Description": "Which hand the person prefers.",
        "Levels": {"right": "right", "left": "left", "ambidextrous": "either"},
    },
    "skin_reflectance": {
        "Description": "Reflectance of the skin at the LED's wavelength, as a share of 1.",
    },
    "locked": {
        "Description": "Whether the person is kept for the final test, and never trained on.",
        "Levels": {"yes": "kept for the final test", "no": "free for training"},
    },
}
_NOTED = "Noted by the collectors; not described further."


def bids_task(name: str) -> str:
    """Return a task's name without what BIDS forbids in one: ``finger_count`` is fingerCount."""
    first, *others = [word for word in name.split("_") if word]
    return first + "".join(word[0].upper() + word[1:] for word in others)


def bids_tasks(names: Iterable[str]) -> dict[str, str]:
    """Return the names of tasks without underscores, no two alike, whatever capitals count for."""
    taken: set[str] = set()
    named = {}
    for name in sorted(set(names)):
        wanted = bids_task(name)
        number = 1
        label = wanted
        while label.lower() in taken:
            number += 1
            label = f"{wanted}v{number}"
        taken.add(label.lower())
        named[name] = label
    return named


def participants_json(columns: Iterable[str]) -> dict[str, object]:
    """Return what each column of ``participants.tsv`` holds."""
    return {column: _PEOPLE.get(column, {"Description": _NOTED}) for column in columns}


def events_json(
    described: Mapping[str, Mapping[str, object]], columns: Iterable[str], script: Script
) -> dict[str, object]:
    """Return what each column of an events table holds, and what each label asked for.

    Parameters
    ----------
    described : mapping
        What is known of the columns.
    columns : iterable of str
        All columns of the table.
    script : Script
        Whose labels are explained.
    """
    told: dict[str, object] = {
        column: dict(described.get(column, {"Description": _NOTED})) for column in columns
    }
    told["trial_type"] = dict(described["trial_type"]) | {
        "Levels": {label: script.text(label) for label in script.trial_types}
    }
    return told


def readme(
    name: str,
    kinds: Iterable[str],
    tasks: Mapping[str, str],
    asked: Mapping[str, str],
    n_people: int,
) -> str:
    """Return the text that a reader of the folder meets first.

    Parameters
    ----------
    name : str
        Of the data set.
    kinds : iterable of str
        Of data in it.
    tasks : mapping of str to str
        Name of each script, and what it is called here.
    asked : mapping of str to str
        Name of each script, and what participants were told.
    n_people : int
    """
    lines = [
        name,
        "",
        f"Readouts of a lensless optical sensor, and labels of what {n_people} participants did in "
        "front of it.",
        f"Kind of data: {' and '.join(kinds) or 'not said'}.",
        "",
        "sub-*/ses-*/beh/*_events.tsv: one row a take: onset and duration in seconds from the "
        "first frame pair, label, and whether it is good. Rejected takes stay, with the reason.",
        "sourcedata/: the recordings as they came (MCAP), the labels of every labeller and their "
        "edits, where each recording comes from, the plan of the study if there was one. This "
        "folder is a data set of its own, which palmwatt opens.",
        "",
        "Tasks, and the cue scripts that they were recorded with:",
        *(f"  task-{label}: {task}. {asked[task]}".rstrip() for task, label in tasks.items()),
    ]
    return "\n".join(lines) + "\n"
