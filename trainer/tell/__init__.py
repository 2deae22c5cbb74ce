"""What is written about a trained model, and the folder it is handed on in.

The evaluation page with its charts, the tables of the terminal, the sentences that both use, the
model card, and ``export``, which puts the whole model folder together. Figures come in finished:
nothing here computes what a model is worth.
"""
