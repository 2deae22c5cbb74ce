"""Data sets as wholes: several made into one, and one copied out as other programs expect it.

``tree`` lists a data set's files with their hashes, ``joining`` joins its tables, ``merge`` makes
one of several without losing anything; ``bids`` writes the copy that a validator of BIDS accepts,
with the texts of ``bids_texts``; ``command`` prints both.
"""
