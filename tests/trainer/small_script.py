"""The cue script of the small data set and a recipe for it, for tests that record more of it."""

SCRIPT = b"""\
name = "small"
lead_in_s = 1.0
rest_s = [0.3, 0.4]

[[cue]]
trial_type = "swipe_left"
repetitions = 4
duration_s = 1.5

[[cue]]
trial_type = "push"
repetitions = 4
duration_s = 1.5

[[cue]]
trial_type = "idle"
repetitions = 3
duration_s = 1.5
"""

RECIPE = """\
name = "small"
task = "small"
seed = 3
classes = ["swipe_left", "push"]
other = ["idle"]

[features]
bins = [4, 4]
level_bits = 16
directions = 4
direction_bits = 16

[classifier]
kind = "mlp"
hidden = 8
penalty = 1.0
epochs = 30
"""
