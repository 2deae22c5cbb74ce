"""Hands and people: measured proportions, habits, and movements in time, as surfaces in space."""
