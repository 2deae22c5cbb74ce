"""What compiled firmware takes: instructions by class, cycles, bytes, and the deepest stack."""
