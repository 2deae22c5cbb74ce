"""Middle floor: brings readouts in and keeps them as they came.

The front is the commands and their words. Behind it: ``booth``, the local page; ``emulated``, a
sensor that speaks the same wire; ``lead`` a session; ``measure`` what it is worth; ``store`` it;
``cues`` and labels; ``wire``, packets and ports. Frame pairs and the tables' files lie below all.
"""
