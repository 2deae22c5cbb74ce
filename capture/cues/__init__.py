"""Cues and labels: what was cued, when, and the takes that came of it."""
