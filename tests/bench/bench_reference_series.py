"""The trainer on real recorded series, beside MiniRocket run here and ROCKET as published.

Run as a script: python tests/bench/bench_reference_series.py; nothing is asserted.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
from aeon.transformations.collection.convolution_based import MiniRocket
from sklearn.linear_model import RidgeClassifierCV
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

sys.path.insert(0, str(Path(__file__).parents[1] / "trainer"))

from recorded_series import SERIES, load_series, series_recipe

from runtime.intervals import wilson
from trainer.fit.pipeline import fit_windows
from trainer.recipe import ClassifierRecipe

HEADS = ("extra_trees", "boosted_trees", "mlp", "linear")


def main() -> None:
    """Print one line for each set of series and classifier."""
    for problem in SERIES:
        (x, labels), (x_test, y_test) = (load_series(problem, side) for side in ("train", "test"))
        began = time.perf_counter()
        ridge = make_pipeline(
            MiniRocket(random_state=1),
            StandardScaler(with_mean=False),
            RidgeClassifierCV(np.logspace(-3, 3, 10)),
        )
        ridge.fit(x.transpose(0, 2, 1).astype(np.float32), labels)
        right = (ridge.predict(x_test.transpose(0, 2, 1).astype(np.float32)) == y_test).sum()
        _tell(problem.name, "MiniRocket here", int(right), len(y_test), began)
        recipe = series_recipe(problem, int(labels.max()) + 1)
        for kind in HEADS:
            began = time.perf_counter()
            settings = recipe.classifier.model_dump() | {"kind": kind, "penalty": 1.0}
            chosen = recipe.model_copy(update={"classifier": ClassifierRecipe(**settings)})
            right = (fit_windows(chosen, x, labels).predict(x_test) == y_test).sum()
            _tell(problem.name, f"{kind}, fixed point", int(right), len(y_test), began)
        print(f"{problem.name:22} ROCKET, published {problem.rocket:.3f}\n", flush=True)


def _tell(name: str, what: str, right: int, n_series: int, began: float) -> None:
    low, high = wilson(right, n_series)
    took = time.perf_counter() - began
    print(
        f"{name:22} {what:26} {right / n_series:.3f} [{low:.3f}, {high:.3f}]"
        f" of {n_series}, {took:.1f} s",
        flush=True,
    )


if __name__ == "__main__":
    main()
