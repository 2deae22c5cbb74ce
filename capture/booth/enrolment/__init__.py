"""Enrolment in the booth: ``desk`` leads it in a thread, ``addresses`` is what its page asks for.

It gives the same commands as ``palmwatt live --enrol``. What was learned of a person is kept in
memory alone, until the page has saved it and it is erased, another enrolment begins or the booth
ends: no file of it is left with a data set.
"""
