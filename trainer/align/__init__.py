"""Direction and range from readouts, arrays only: the limit, the optic as learned, cells, the stage.

Nothing here knows an emulator. What an optic does is learned from a calibration: readouts of one
point source, and where it stood.
"""
