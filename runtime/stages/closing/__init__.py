"""The closing stages: what a model ends in, and so what it tells.

Each is one file and found by its kind, like every stage.
"""
