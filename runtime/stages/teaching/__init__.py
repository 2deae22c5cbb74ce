"""How a model learns its owner: what a command does to the state, in NumPy, ONNX and C.

`lesson` says what is fixed by training, `commands` is the law, `graph` and `text` are the same in
ONNX and in C, `reasons` are the answers to a take.
"""
