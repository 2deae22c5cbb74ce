"""What a trained model is worth: accuracy, events, intervals, groups and the worst takes.

Whole participants are judged, never windows. ``examination`` puts the parts together; ``events``,
``matching``, ``margins`` and ``event_figures`` judge streams, ``evaluate``, ``intervals`` and
``groups`` judge takes, ``calibration`` scores, ``worst_takes`` finds where to look for mistakes,
and ``wake_up`` judges the watching state.
"""
