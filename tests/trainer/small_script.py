"""The cue script of the small data set, for tests that record more of it."""

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
