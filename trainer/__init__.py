r"""Top floor: learns models from recordings, and holds the ``palmwatt`` command.

The front is the command, the demo and ``train``. Behind it the rooms stand on top of each other:
``tell`` writes a trained model down, ``fit`` trains it, ``judge`` says how well it does, ``corpus``
turns recordings into windows, ``learn`` knows arrays only, ``work`` runs jobs and keeps results,
and the recipe, which says what is wanted, lies below all. Nothing inside imports the front door:
its names are for programs that use the package.

Examples
--------
Record three invented people with an emulated sensor (see ``capture``):

>>> from pathlib import Path
>>> import capture, runtime, trainer
>>> script, recipe = Path("three_people.toml"), Path("two_gestures.toml")
>>> lines = ['name = "three_people"', "lead_in_s = 1.0"]
>>> for trial_type in ("swipe_left", "push"):
...     lines += ["[[cue]]", f'trial_type = "{trial_type}"']
...     lines += ["repetitions = 3", "duration_s = 1.5"]
>>> n_bytes = script.write_text("\n".join(lines))
>>> for number in (1, 2, 3):
...     with capture.emulated_sensor(number, script, seed=number) as port:
...         person = capture.Participant(f"P{number:02d}", consent=True)
...         done = capture.record(port, person, script, "people", seed=number)

Write a recipe, and ask scikit-learn how it does on people it has not learned from:

>>> n_bytes = recipe.write_text('''
... name = "two_gestures"
... task = "two_gestures"
... classes = ["swipe_left", "push"]
... [features]
... bins = [4, 4]
... level_bits = 16
... directions = 4
... [classifier]
... hidden = 8
... epochs = 30
... ''')
>>> takes = trainer.read_takes("people", recipe)
>>> takes.X.shape[0], takes.X.shape[2:], sorted(set(takes.y.tolist()))
(18, (32, 32), ['push', 'swipe_left'])
>>> from sklearn.model_selection import GroupKFold, cross_val_score
>>> classifier = trainer.TakeClassifier(recipe)
>>> x, y, people = takes.X, takes.y, takes.groups
>>> folds = GroupKFold(3)
>>> accuracy = cross_val_score(
...     classifier, x, y, groups=people, cv=folds, params={"people": people}
... )
>>> len(accuracy), bool(accuracy.mean() > 0.5)
(3, True)

Fit it to everybody, and take it to the ground floor as a model:

>>> model = classifier.fit(x, y, people=people).to_model(takes.sensor)
>>> model.classes
('push', 'swipe_left')
>>> frames = capture.read_session(done.path).frames()
>>> folder = runtime.export(model, "two_gestures", frames.lit, frames.dark)
>>> runtime.verify(folder, cores=["cortex-m0plus"], n_frames=60).ok
True

``trainer.train_model(data, recipe, out)`` does all of it as ``palmwatt train`` does: with margins
chosen on streams, an examination on locked participants, and the whole model folder.
"""

from typing import TYPE_CHECKING

from runtime.front.lazy import lazy_names

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
