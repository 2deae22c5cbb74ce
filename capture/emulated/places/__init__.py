"""Places where people wait and pass, seen by the light that is there anyway.

A place is a stop, a corridor, a waiting room or a lobby; cues say how many people are in it. What
is drawn rests on a source or is said to be assumed, and all of it is invented. Lengths are metres.
"""
