"""A scripted day of the device program: who comes and goes, what is read, and what became of it.

`script` is what happens, `run` executes the whole image on an emulated core in compressed time and
gives the `tally`; `runtime.budget.price.scripted_day` prices the same day by the budget's formula.
`cost` counts what the program executes on a frame of either kind.
"""
