"""The booth: a local page that shows cues, live readouts and the review of labels.

``guard`` says who may ask, ``recording_desk`` runs the recorder in a thread, ``labelling``,
``label_sheet``, ``editlog`` and ``agreement`` keep edits beside the events table, ``readouts``
brings frame pairs from any place of a session. ``recording_addresses`` and ``review_addresses``
answer the two pages with them, ``app`` and ``server`` put them on a port; the page in ``static/``
has no build step.
"""
