"""Top floor: learns models from recordings, and holds the ``palmwatt`` command.

The front is the command, the demo and ``train``. Behind it the rooms stand on top of each other:
``tell`` writes a trained model down, ``fit`` trains it, ``judge`` says how well it does, ``corpus``
turns recordings into windows, ``learn`` knows arrays only, ``work`` runs jobs and keeps results,
and the recipe, which says what is wanted, lies below all.
"""
