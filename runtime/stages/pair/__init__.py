"""Two sources of light at once: where the two brightest stand, by fitting both to one readout.

`pair` is the stage: registration first, and a joint fit, spread over frames, where one source does
not explain what was seen; `levels` says what is fitted to, `solving` solves six equations in
integers, `joint` fits in rounds. `nodes` and `round_nodes` are its ONNX, `c_text`, `c_fit` and
`c_weigh` its C. `bearings` turns slopes into angles, and tells how many sources were found.
"""
