"""Top floor: learns models from recordings, and holds the ``palmwatt`` command.

The front is the command, the demo and ``train``. Behind it the rooms stand on top of each other:
``tell`` writes a trained model down, ``fit`` trains it, ``judge`` says how well it does, ``corpus``
turns recordings into windows, ``learn`` knows arrays only, ``work`` runs jobs and keeps results,
and the recipe, which says what is wanted, lies below all. Nothing inside imports the front door:
its names are for programs that use the package.
"""

from typing import TYPE_CHECKING

from runtime.lazy import lazy_names

if TYPE_CHECKING:
    from trainer.corpus.take_readouts import TakeReadouts, read_takes
    from trainer.fit.take_classifier import TakeClassifier
    from trainer.recipe import Recipe, built_in_recipes, load_recipe
    from trainer.train import train_model
else:
    __getattr__, __dir__ = lazy_names(
        __name__,
        {
            "trainer.corpus.take_readouts": ("TakeReadouts", "read_takes"),
            "trainer.fit.take_classifier": ("TakeClassifier",),
            "trainer.recipe": ("Recipe", "built_in_recipes", "load_recipe"),
            "trainer.train": ("train_model",),
        },
    )

__all__ = [
    "Recipe",
    "TakeClassifier",
    "TakeReadouts",
    "built_in_recipes",
    "load_recipe",
    "read_takes",
    "train_model",
]
