"""The device on a bench: a trace of its current becomes a charge for each phase of a frame.

What is on the trace stands in a TOML file beside it (`reading`); `cutting` finds the frame period
and cuts every frame into its phases; `measurement` is the pass over the trace, `charges` says what
each phase takes and how sure that is, `health` what is wrong with the trace. `predicted` is the
budget's word on the same phases, `terms` sets both side by side, `parts_file` turns what was
measured into parts, `page` and `drawing` show it all. A synthetic trace is
called synthetic in all of them, and never measured.
"""
