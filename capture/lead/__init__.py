"""Leading a session: from a port to a finished recording, or to events as they come.

``record`` leads one participant through one script; ``incoming_pairs`` turns messages into frame
pairs on one time line; ``terminal`` shows it; ``live`` runs a model on the same stream.
"""
