"""The emulated sensor: a hand in front of a lensless optic, from geometry and light to counts.

``port`` makes it a serial device, ``command`` one for people; ``session`` plays one recording,
``points`` one of lights that a rig moves; ``scenes`` say what happens, ``places`` who waits there,
``optic`` what the sensor sees of it, ``body`` how hands and people look and move.
"""
