"""Presence and count by ambient light, from recordings of places to a model that is judged.

`training` is the order of it all; `fronts` are the stages up to what stands in front of the
background, `figures` what a model is worth in places that it has not seen.
"""
