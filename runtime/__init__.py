"""Ground floor: what runs on the device. Knows neither serial ports nor scikit-learn.

From the top: the commands, and the same for programs in ``front``; ``budget``, what it costs;
``verification``, that every execution gives the same bits; ``firmware``, C text and emulated cores;
``onnx``; the ``model`` and its ``stages``; and below all the sensor, fixed point, files and errors.
Nothing inside imports the front door: its names are for programs that use the package.

Examples
--------
Read a model (here one of those that come with the sources), run it over readouts, and write it as
a folder of its own:

>>> import numpy as np
>>> import runtime
>>> model = runtime.load_model("models/dynamic")
>>> shape = (90, model.sensor.n_rows, model.sensor.n_cols)
>>> dark = np.full(shape, model.sensor.black_level_counts, dtype=np.uint16)
>>> run = model.run(dark + np.uint16(200), dark)
>>> run.evidence.shape == (90, len(model.classes)), run.events.shape
(True, (90,))
>>> folder = runtime.export(model, "dynamic_again", dark + np.uint16(200), dark)
>>> sorted(path.name for path in folder.iterdir())[:3]
['fingerprints.json', 'firmware', 'fixed.onnx']

Hold its executions against each other, bit for bit, and price it:

>>> runtime.verify(folder, cores=["cortex-m4"], n_frames=30).ok
True
>>> budget = runtime.price(folder, cores=["cortex-m4"], host="phone-mixed")
>>> budget.average_uw.low < budget.average_uw.median < budget.average_uw.high
True

What is asked for wrongly is told in one line, as everywhere in this house:

>>> runtime.price(folder, host="toaster")  # doctest: +ELLIPSIS
Traceback (most recent call last):
runtime.errors.UsageError: parts library: host is toaster, expected one of ...
"""

from typing import TYPE_CHECKING

from runtime.front.lazy import lazy_names

if TYPE_CHECKING:
    from runtime.budget.result import Budget
    from runtime.errors import Error
    from runtime.front.model_folder import export, price, verify
    from runtime.model import Model, Run, load_model
    from runtime.sensor import Sensor
    from runtime.verification.verify import Verification
else:
    __getattr__, __dir__ = lazy_names(
        __name__,
        {
            "runtime.budget.result": ("Budget",),
            "runtime.errors": ("Error",),
            "runtime.model": ("Model", "Run", "load_model"),
            "runtime.front.model_folder": ("export", "price", "verify"),
            "runtime.sensor": ("Sensor",),
            "runtime.verification.verify": ("Verification",),
        },
    )

__all__ = [
    "Budget",
    "Error",
    "Model",
    "Run",
    "Sensor",
    "Verification",
    "export",
    "load_model",
    "price",
    "verify",
]
