"""From recordings on disk to the windows that are learned from.

``recordings`` finds and reads them with cues and people, ``reduced`` runs each once through its
entry stage, ``strokes`` finds movements from the readout alone, and ``windows`` chooses frames.
"""
