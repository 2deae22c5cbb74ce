"""People: who they are, what they do when a cue asks, and the hands they do it with."""
