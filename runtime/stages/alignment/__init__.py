"""The stages of a point's place: readouts aligned with stored patterns, and what follows from it.

`registration` and `triangulation` are stages; beside them are their geometry, integer arithmetic,
ONNX nodes and C.
"""
