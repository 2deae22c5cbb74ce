"""Leading a session: from a port to a finished recording, or to events as they come.

``record`` leads one participant through one script; ``incoming_pairs`` turns messages into frame
pairs on one time line; ``host_clock`` notes when they arrived and ``aligned`` lays them on the
clock of the day; ``terminal`` shows it; ``live`` runs a model on the same stream, for the command
in ``command``.
"""
