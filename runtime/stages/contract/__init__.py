"""What every stage is, and the languages it is written in: arrays, ONNX nodes and C text."""
