"""What the front doors are made of: names that load when they are used, and a model folder's calls.

``lazy`` knows nothing of the house; ``model_folder`` exports, verifies and prices.
"""
