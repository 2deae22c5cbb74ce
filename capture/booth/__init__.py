"""The booth: a local page that shows cues, live readouts and the review of labels.

``guard`` says who may ask, ``recording_desk`` runs the recorder in a thread, ``labelling``,
``editlog`` and ``agreement`` keep edits beside the events table, ``readouts`` brings frame
pairs from any place of a session, ``app`` and ``server`` give it addresses; the page in
``static/`` has no build step.
"""
