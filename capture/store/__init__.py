"""Recordings on disk: written so that a kill loses little, read in bounded memory.

``writer`` and ``container`` know the file, ``session`` reads one, ``dataset`` the folder laid out
after BIDS, ``validate`` finds every violation, ``forget`` removes a participant for good.
"""
