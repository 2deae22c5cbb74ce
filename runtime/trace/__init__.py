"""The device on a bench: a trace of its current becomes a charge for each phase of a frame.

What is on the trace stands in a TOML file beside it (`reading`); `frames` finds the frame period
and the shape of one frame, `phases` cuts every frame, `charges` says what each phase takes and how
sure that is, `health` what is wrong with the trace. `predicted` is the budget's word on the same
phases, `parts_file` turns what was measured into parts, `page` shows both. A synthetic trace is
called synthetic in all of them, and never measured.
"""
