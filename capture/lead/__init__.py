"""Leading a session: from a port to a finished recording, or to events as they come.

``preparation`` comes before the first cue, with ``readiness_checks`` of what must hold; ``record``
leads one participant through one script; ``incoming_pairs`` turns messages into frame pairs on one
time line, ``missed`` finds cues that nothing answered; ``host_clock`` notes when pairs arrived and
``aligned`` lays them on the clock of the day; ``terminal`` shows it; ``live`` runs a model on the
same stream, for the command in ``command``.
"""
