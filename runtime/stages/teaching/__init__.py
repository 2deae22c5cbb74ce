"""How a model learns its owner: what a command does to the state, in NumPy, ONNX and C.

`enrol` is the stage: a head that learns. `lesson` says what is fixed by training, `commands` is the
law, `graph` is the same in ONNX, `text`, `text_refusal` and `text_board` in C, `saved` is what was
learned as bytes, `reasons` are the answers to a take.
"""
