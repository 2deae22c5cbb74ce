"""What the front doors are made of: names that load when they are used, and a model folder's calls.

``lazy`` and ``finite_number`` (what an option takes) know nothing of the house; ``model_folder``
exports, verifies and prices.
"""
