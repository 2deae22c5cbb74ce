"""Light: what is seen from the sensor, and what an optic makes of it."""
