"""The emulated sensor: a hand in front of a lensless optic, from geometry and light to counts."""
