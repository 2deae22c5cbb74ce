"""Worlds made without a look at the emulated sensor: other optics, hands, people, light and noise.

What a recipe learns must hold for a sensor and for people that it was not made with. Two worlds are
behind this door, `worlds.diffuser` and `worlds.mask`; both write data sets as the recorder does.
`worlds.peers` asks plain classifiers about the same takes, and `worlds.gate` the built-in recipes,
untouched. All people, rooms and light levels are invented; measured figures name their source.
"""
