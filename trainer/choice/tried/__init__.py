"""What is tried: knobs and settings, readouts at them, quick and full fits, and prices."""
