"""Train a model and write its whole folder: the step that ``palmwatt train`` and the demo take."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path
from typing import Any

from runtime.errors import ArgumentError
from runtime.files import as_path, refuse_used_folder
from trainer.corpus.at_setting import AtSetting
from trainer.fit.training import Notify, fit_model
from trainer.recipe import Recipe, load_recipe
from trainer.tell.export import write_model_folder
from trainer.work.jobs import Workers

__all__ = ["train_model"]


def train_model(
    data: Path | str,
    recipe: Recipe | str | Path | Sequence[Recipe],
    out: Path | str,
    progress: Notify | None = None,
    workers: Workers | None = None,
    skip: Collection[str] = (),
    at: AtSetting | None = None,
) -> dict[str, Any]:
    """Train, examine and write the whole model folder; return the evaluation.

    The command ``palmwatt train`` does the same. Its bytes do not depend on the processor, because
    it fixes the kernels that NumPy uses before loading it; a program that wants them calls
    ``runtime.reproducible_floats.hold_arithmetic_steady`` first.

    Parameters
    ----------
    data : path
        Data set; some of its participants have to be locked.
    recipe : Recipe, or name or path of one, or several Recipes
        Of several, the one that does best on training people held out in turn is taken.
    out : path
        Missing or empty folder.
    progress : callable, optional
        Is told in a few words what begins.
    workers : Workers, optional
        Who fits; this process by default.
    skip : collection of str
        Steps to leave out, for quick work: ``learning-curve``, ``quadrants``.
    at : AtSetting, optional
        The device's setting that the model is made for; that of the recordings by default.

    Returns
    -------
    dict
        Content of ``evaluation.json``.

    Raises
    ------
    ArgumentError, UsageError
        An argument is wrong, `out` is in use, the split leaves a side empty or shares a group, or
        a class has no take.
    FormatError
        The data set or one of its recordings is not readable, or carries no labels.
    OverflowRisk
        The integer model could pass 32 bits.
    """
    folder, model = as_path(data, "data"), as_path(out, "out")
    recipes = [load_recipe(recipe)] if isinstance(recipe, str | Path) else recipe
    given = [recipes] if isinstance(recipes, Recipe) else recipes
    if not isinstance(given, Sequence) or not all(isinstance(each, Recipe) for each in given):
        raise ArgumentError("train_model", "recipe", repr(recipe)[:60], "a Recipe, or its name")
    refuse_used_folder(model)
    trained = fit_model(folder, list(given), progress, workers, skip, at)
    if progress:
        progress("exporting")
    write_model_folder(trained, model)
    return trained.evaluation
