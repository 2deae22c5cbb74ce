"""A point of light: readouts with their truth, calibration into a model, and its examination."""
