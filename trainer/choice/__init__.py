"""The choice: accuracy against microwatts over sensor settings and models, from one recording.

``tried/`` is what a search tries of sensor and model, and at what price; ``worth/`` says what of it
is worth having, and how surely. ``frontier`` is the order of it all, ``told`` the same as plain
values, ``page`` what is read, ``outcome`` what is left on disk, ``command`` its door.
"""
