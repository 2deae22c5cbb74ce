"""Attackers that make a picture of what stood in front of the sensor, and how well they do.

``measures`` says how alike two pictures are; ``linear`` are attackers that know the optic,
``learned`` those that were shown pairs, and ``undone`` tells one step from another, so that the
optic is of use behind it. ``scenes`` are the hands of emulated takes, made again,
``stand_ins`` faces and standing people drawn from plain shapes; ``optic`` turns a scene into a
frame pair. ``attack`` tries it all on people who were held out, ``whole`` on all there is.
"""
