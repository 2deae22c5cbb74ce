"""Leading an owner through enrolment: which take of which class is asked for, and what came of it.

`enrolling` stands between the frames of a running model; `palmwatt live --enrol` shows what it
says.
"""
