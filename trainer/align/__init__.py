"""Direction and range from readouts, arrays only: limit, optic as learned, cells, stage.

Nothing here knows an emulator. What an optic does is learned from a calibration: readouts of one
point source, and where it stood.
"""
