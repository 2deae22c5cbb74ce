"""From surfaces and light to counts: radiance, the optic's response, pixels with their noise."""
