"""Readouts that exist already: brought into a data set as if the recorder had written them.

``tables`` reads tables of any kind, ``plan`` the three that list what there is, ``readouts`` the
arrays and tables of frames, ``checked`` their counts and times; ``bring`` puts them together and
``new_sessions`` writes, all or nothing; ``command`` is the verb. ``IMPORT.md`` beside them is the
tutorial, and a test follows it to the letter.
"""
