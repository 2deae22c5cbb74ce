"""What a sensor would have read at a weaker setting, from what it read at the recorded one.

``setting`` is what may be weaker; ``underlying`` finds the light below the noise of a stretch of
readouts; ``thinned`` gives the readouts at the setting; ``own_noise`` holds the gain that they rest
on against what the recording itself shows; ``photon_limit`` is the least light that any setting
needs.
"""
