"""The booth: a local page that shows cues, live readouts and the review of labels.

``entrance`` says who may ask and how many at once, ``recording`` runs the recorder, ``labelling``,
``label_sheet``, ``editlog`` and ``agreement`` keep edits beside the events table, ``readouts``
brings frame pairs from any place of a session, ``review_addresses`` answers the page of review.
``app`` and ``server`` put them on a port; the pages in ``static/`` have no build step.
"""
