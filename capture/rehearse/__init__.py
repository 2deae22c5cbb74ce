"""Rehearsal on real hands before there is a sensor: real shapes before an emulated optic.

``scenes`` reads the table of shapes and their files, ``surfaces`` makes points with normals of
them, ``rehearse`` lets the emulated optic see these and writes a data set that says what it is;
``command`` is the verb.
"""
