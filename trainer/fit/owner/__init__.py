"""What learning its owner is worth: held-out people teach a model, and are asked about other takes.

`taught` holds the jobs, each a fit that people whom it has not seen teach by the device's own
arithmetic (`person` shows and asks); `worth` makes tables of what came of it, `favour` chooses by
that how far gestures of one's own are favoured, and `figures` is what evaluation.json says.
`events` chooses how much taught scores count, so that events' margins hold back as before.
"""
