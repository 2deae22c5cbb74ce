"""The C of the stages where a frame's work is, from plain numbers: reading and multiplying.

Which kernel a stage gets is decided when weights and ranges are known; which of a kernel's
variants a core gets is decided by ``#if`` in the text, so that one folder serves every core.
"""
