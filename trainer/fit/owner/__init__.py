"""What learning its owner is worth: held-out people teach a model, and are asked about other takes.

`taught` holds the jobs, each a fit that people whom it has not seen teach by the device's own
arithmetic; `worth` makes tables of what came of it, and `figures` what evaluation.json says.
`events` chooses how much taught scores count, so that events' margins hold back as before.
"""
