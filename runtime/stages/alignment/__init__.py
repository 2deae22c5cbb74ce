"""How a readout is aligned with stored patterns: geometry, integer arithmetic, ONNX nodes, C."""
