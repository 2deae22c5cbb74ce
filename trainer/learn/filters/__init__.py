"""Networks whose first layers share their weights over places: fitted, lowered, and as float ONNX.

What they see are bins and what a filter gives at each place of them: sums of light behind an optic,
never a picture of what is in front of it, which nothing here computes or aims at.
"""
