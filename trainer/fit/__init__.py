"""Training itself: from reduced recordings to a fitted chain of integer stages.

``training`` is the order of it all; ``pipeline`` fits features and classifier together,
``held_out`` does so again without some people, ``alignment`` finds again when gestures end,
``candidates`` prepares recipes, ``kept_fits`` lets a stopped training go on.
"""
