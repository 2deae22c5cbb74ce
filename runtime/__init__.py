"""Ground floor: what runs on the device. Knows neither serial ports nor scikit-learn.

From the top: the commands; ``budget``, what it costs; ``verification``, that every execution gives
the same bits; ``firmware``, C text and emulated cores; ``onnx``; the ``model`` and its ``stages``;
and below all the sensor, fixed point, files and errors.
"""
