"""How work gets done: small jobs here, in processes or on a cluster, and results kept.

A job carries all it needs; ``cluster`` sends the same jobs to a Dask scheduler, and ``cache`` keeps
arrays under the hash of everything they depend on.
"""
