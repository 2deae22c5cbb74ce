"""Recording in the booth: ``desk`` runs the recorder in a thread, ``addresses`` is what pages ask.

The operator's page sees all of it; the participant's window is told what to do and nothing else.
"""
