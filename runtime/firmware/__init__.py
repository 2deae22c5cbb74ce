"""The model as firmware: C99 text, compiled for a core, executed on an emulated core, counted.

``emit`` writes the folder, ``machine`` compiles it and executes it, ``measure`` counts what that
takes, and ``profile`` puts the counts of all cores together. ``setting`` is what the device program
around the model is set to, and ``day`` executes that program for a scripted day.
"""
