"""Presence and count by ambient light, from recordings of places to a model that is judged.

`training` is the order of it all, and `places` the same of one chain at one setting, for whoever
tries many; `fronts` are the stages up to what stands in front of the background, `figures` what a
model is worth in places that it has not seen.
"""
