"""A model as integer ONNX: one step with explicit state, or a whole recording."""
