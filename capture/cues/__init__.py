"""Cues and labels: what was asked, when, and the takes that came of it."""
