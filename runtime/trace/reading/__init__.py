"""Traces of a bench as blocks of samples in bounded memory, whichever file they came in.

`bench_file` is the TOML beside the trace; `tables` reads CSV and Parquet, `sigrok` session files;
both give the blocks of `samples`, in microamperes, volts and truth values. Samples are evenly
spaced; a gap is refused.
"""
