"""What a model costs: cycles, memory, energy, and whether anyone would see it."""
