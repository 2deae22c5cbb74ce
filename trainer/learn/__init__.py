"""Learning from arrays only: nothing here knows recordings, people or files.

Entry stages and features whose constants are learned, directions to project onto, classifiers of
scikit-learn, and ``lowering``, the one file that looks inside fitted ones and turns them into
integer stages by way of ``quantise``.
"""
