"""Are the labels true? What a take shows by itself, and beside the person's and others' takes.

Behind this door: `takes` (a session's takes as a few numbers each), `opinions` (what takes of other
people say a take is), `order` (labels out of step with what was done), `truth` (what is doubtful,
worst first, with the reason in words).
"""
