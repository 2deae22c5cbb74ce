"""Cores, compilers and the machines that execute what they make."""
