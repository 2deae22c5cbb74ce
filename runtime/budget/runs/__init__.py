"""Battery runs of a host, measured: planned, read, and judged with and without the feature.

``run_table`` reads runs from a table, or from logs of a Linux power supply; ``plan`` says how many
sessions and in what order; ``comparison`` judges them against a margin; ``page`` shows every run.
"""
