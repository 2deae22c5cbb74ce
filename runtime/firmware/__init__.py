"""The model as firmware: C99 text, compiled for a core, executed on an emulated core, counted."""
