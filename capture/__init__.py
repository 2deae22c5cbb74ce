r"""Middle floor: brings readouts in and keeps them as they came.

The front is the commands and their words. Behind it: ``booth``, the local page; ``emulated``, a
sensor that speaks the same wire; ``lead`` a session; ``study`` many people's, ``agree`` on their
labels and ``gather`` them; ``measure`` what they are worth; ``store`` them; ``cues`` and labels;
``wire``, packets and ports. Frame pairs and the tables' files lie below all.
Nothing inside imports the front door: its names are for programs that use the package.

Examples
--------
Write a cue script, and record an invented participant through the port of an emulated sensor; a
real sensor's port is named likewise, such as ``/dev/ttyACM0``:

>>> from pathlib import Path
>>> import capture
>>> script = Path("first_steps.toml")
>>> lines = ['name = "first_steps"', "lead_in_s = 1.0"]
>>> for trial_type in ("swipe_left", "push", "idle"):
...     lines += ["[[cue]]", f'trial_type = "{trial_type}"']
...     lines += ["repetitions = 2", "duration_s = 1.5"]
>>> n_bytes = script.write_text("\n".join(lines))
>>> with capture.emulated_sensor(participant=1, script=script, seed=1) as port:
...     person = capture.Participant("P01", consent=True)
...     done = capture.record(port, person, script, "recordings", seed=1)
>>> done.n_takes
6

Read the recordings as arrays, raw as the sensor sent them:

>>> dataset = capture.open_dataset("recordings")
>>> [info.participant_id for info in dataset.sessions]
['P01']
>>> session = capture.read_session(dataset.sessions[0].path)
>>> frames = session.frames()
>>> frames.lit.shape[1:], frames.lit.dtype, len(frames.dark) == len(frames.lit)
((32, 32), dtype('uint16'), True)
>>> sorted({event.trial_type for event in session.events})
['idle', 'push', 'swipe_left']

or as a table, one row a frame pair, of pandas or polars where they are installed:

>>> table = session.to_pandas()
>>> list(table.columns[:6])
['sequence', 'time_us', 'dark_time_us', 'time_s', 'trial_type', 'r00c00']

What is asked for wrongly is told in one line, as everywhere in this house:

>>> capture.open_dataset("nowhere")  # doctest: +ELLIPSIS
Traceback (most recent call last):
runtime.errors.UsageError: nowhere: the folder is no data set, ...
"""

from typing import TYPE_CHECKING

from runtime.front.lazy import lazy_names

if TYPE_CHECKING:
    from capture.cues.script import Script, load_script
    from capture.emulated.port.for_programs import emulated_sensor
    from capture.lead.from_port import record
    from capture.store.dataset import Dataset, Participant, open_dataset
    from capture.store.session import Session, read_session
else:
    __getattr__, __dir__ = lazy_names(
        __name__,
        {
            "capture.cues.script": ("Script", "load_script"),
            "capture.emulated.port.for_programs": ("emulated_sensor",),
            "capture.lead.from_port": ("record",),
            "capture.store.dataset": ("Dataset", "Participant", "open_dataset"),
            "capture.store.session": ("Session", "read_session"),
        },
    )

__all__ = [
    "Dataset",
    "Participant",
    "Script",
    "Session",
    "emulated_sensor",
    "load_script",
    "open_dataset",
    "read_session",
    "record",
]
