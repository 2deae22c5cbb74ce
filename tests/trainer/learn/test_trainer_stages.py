"""From fitted objects to integer stages: quantisation, learned directions, lowered classifiers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import onnxruntime
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from sklearn.datasets import load_digits, load_iris
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis
from sklearn.model_selection import train_test_split

from runtime.errors import UsageError
from runtime.fixedpoint import INT32_MAX
from runtime.stages.window import Window
from trainer.learn.classifiers import SegmentContrasts, fit_classifier
from trainer.learn.directions import fisher_directions, principal_directions
from trainer.learn.excerpt import Excerpt, centred_values
from trainer.learn.features import StageChain, _directions
from trainer.learn.float_onnx import float_onnx
from trainer.learn.lowering import lower_classifier
from trainer.learn.quantise import LayerInputs, RealLayer, quantise_dense
from trainer.recipe import ClassifierRecipe, FeatureRecipe, QuantisationRecipe


@pytest.mark.parametrize(
    ("kind", "least"),
    [
        ("linear", 0.95), ("mlp", 0.95), ("tree", 0.75), ("extra_trees", 0.93),
        ("boosted_trees", 0.93), ("prototypes", 0.93),
    ],
)  # fmt: skip
def test_integer_classifier_keeps_the_accuracy_of_the_real_one(kind: str, least: float) -> None:
    """On real handwritten digits the 8-bit classifier is within 1 point of scikit-learn's own.

    ONNX Runtime gives scikit-learn's answers for it, from the same bytes each time.
    Data: scikit-learn's bundled copy of the UCI optical recognition of handwritten digits set.
    """
    x, y = load_digits(return_X_y=True)
    x_train, x_test, y_train, y_test = train_test_split(
        x.astype(np.int32), y.astype(np.int64), random_state=0
    )
    recipe = ClassifierRecipe(kind=kind, hidden=(32,), penalty=1.0, epochs=30, depth=8)
    pipeline = fit_classifier(recipe, x_train, y_train, 10, 1, seed=3)
    low, high = np.zeros(64, dtype=np.int64), np.full(64, 16, dtype=np.int64)
    stages, unit = lower_classifier(pipeline, x_train, low, high, QuantisationRecipe())
    scores, real = x_test, x_test.astype(np.float64)
    for stage in stages:
        scores, _ = stage.run(scores, {})
        real = stage.run_float(real)
    expected = pipeline.score(x_test.astype(np.float64), y_test)
    assert expected > least

    graph = float_onnx(pipeline, "digits", 64)
    assert graph == float_onnx(pipeline, "digits", 64)
    session = onnxruntime.InferenceSession(graph, providers=["CPUExecutionProvider"])
    answers = session.run(None, {"window": x_test.astype(np.float32)})[0]
    assert (answers == pipeline.predict(x_test)).mean() > 0.995
    assert (scores.argmax(axis=1) == y_test).mean() == pytest.approx(expected, abs=0.01)
    assert (real.argmax(axis=1) == pipeline.predict(x_test.astype(np.float64))).mean() > 0.995
    assert unit > 0


def test_folding_contrasts_and_standardiser_changes_nothing() -> None:
    """The lowered layers give the fitted pipeline's own decision values, in real numbers."""
    rng = np.random.default_rng(5)
    x = rng.integers(-900, 900, (300, 12)).astype(np.int32)
    labels = np.digitize(x[:, 0] - x[:, 9], [-400, 400]).astype(np.int64)
    pipeline = fit_classifier(ClassifierRecipe(kind="linear"), x, labels, 3, 4, seed=1)
    extreme = np.full(12, 900, dtype=np.int64)
    (stage,), unit = lower_classifier(pipeline, x, -extreme, extreme, QuantisationRecipe())
    ours = stage.run_float(x.astype(np.float64)) * unit
    np.testing.assert_allclose(ours, pipeline.decision_function(x.astype(np.float64)), atol=1e-6)


def test_two_classes_get_two_scores() -> None:
    """A logistic regression of two classes is lowered to two rows whose margin has its sign."""
    rng = np.random.default_rng(6)
    x = rng.integers(-100, 100, (200, 3)).astype(np.int32)
    labels = (x.sum(axis=1) > 0).astype(np.int64)
    pipeline = fit_classifier(ClassifierRecipe(kind="linear"), x, labels, 2, 1, seed=1)
    extreme = np.full(3, 100, dtype=np.int64)
    (stage,), _ = lower_classifier(pipeline, x, -extreme, extreme, QuantisationRecipe())
    answers = stage.run(x, {})[0].argmax(axis=1)
    assert (answers == pipeline.predict(x.astype(np.float64))).mean() > 0.97


def test_a_class_without_windows_is_refused() -> None:
    """Training on windows that lack a class is a usage error that names it."""
    with pytest.raises(UsageError, match="class is 1"):
        fit_classifier(
            ClassifierRecipe(), np.zeros((4, 2), np.int32), np.array([0, 0, 2, 2]), 3, 1, seed=0
        )


def _takes(
    rng: np.random.Generator, n_people: int
) -> tuple[NDArray[np.int32], NDArray[np.int64], NDArray[np.int64]]:
    """Return windows, classes and people: classes differ in one value, takes in all the others."""
    people = np.repeat(np.arange(n_people), 8)
    labels = np.arange(len(people)) % 2
    x = rng.normal(0.0, 300.0, (len(people), 12))
    x[:, 0] = 100.0 * (2 * labels - 1) + rng.normal(0.0, 40.0, len(people))
    return x.astype(np.int32), labels, people


def test_take_noise_hides_how_takes_of_one_person_and_class_differ() -> None:
    """With take noise, more is learned for other people from the same takes of a few than without.

    The values that tell nothing are those in which one person's takes of a class differ most.
    """
    rng = np.random.default_rng(8)
    (x, labels, people), (others, expected, _) = _takes(rng, 6), _takes(rng, 200)
    right = []
    for noise in (0.0, 1.0):
        recipe = ClassifierRecipe(hidden=(16,), epochs=100, take_noise=noise, averaged=True)
        pipeline = fit_classifier(recipe, x, labels, 2, 1, seed=3, people=people)
        right.append(pipeline.score(others.astype(np.float64), expected))
    assert right[1] > right[0] + 0.03


def test_take_noise_moves_no_window_towards_another_person_or_class() -> None:
    """Windows that are the only ones of their person and class are learned from as they are."""
    x, _, _ = _takes(np.random.default_rng(9), 4)
    people, labels = np.repeat(np.arange(16), 2), np.tile([0, 1], 16)
    weights = []
    for noise in (0.0, 1.0):
        recipe = ClassifierRecipe(hidden=(4,), epochs=3, take_noise=noise, averaged=True)
        head = fit_classifier(recipe, x, labels, 2, 1, seed=3, people=people)[-1]
        weights.append(np.concatenate([w.ravel() for w in (*head.coefs_, *head.intercepts_)]))
    np.testing.assert_array_equal(*weights)


def test_contrasts_do_not_see_what_all_segments_share() -> None:
    """Adding the same readout to every segment changes no contrast; energy is otherwise kept.

    The DCT-II is orthonormal (Ahmed, Natarajan and Rao, 1974), so that what it drops is the mean.
    """
    rng = np.random.default_rng(7)
    x, shared = rng.normal(size=(5, 8 * 3)), rng.normal(size=(5, 3))
    contrasts = SegmentContrasts(8).fit(x)
    y = contrasts.transform(x)
    assert y.shape == (5, 7 * 3)
    np.testing.assert_allclose(contrasts.transform(x + np.tile(shared, 8)), y, atol=1e-12)
    centred = x.reshape(5, 8, 3) - x.reshape(5, 8, 3).mean(axis=1, keepdims=True)
    np.testing.assert_allclose((y**2).sum(axis=1), (centred**2).sum(axis=(1, 2)))


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    weight_bits=st.sampled_from([8, 16]),
    out_bits=st.sampled_from([8, 16, 32]),
    reach=st.sampled_from([127, 32767]),
)
def test_quantised_layers_never_risk_overflow(
    seed: int, weight_bits: int, out_bits: int, reach: int
) -> None:
    """Whatever the weights, a quantised layer's proof of 32 bits holds and its unit is right."""
    rng = np.random.default_rng(seed)
    weights = rng.standard_cauchy((4, 20)) * 10.0 ** rng.integers(-4, 4)
    bias = rng.normal(size=4) * np.abs(weights).max()
    x = rng.integers(-reach, reach + 1, (200, 20)).astype(np.int32)
    extreme = np.full(20, reach, dtype=np.int64)
    stage, unit = quantise_dense(
        RealLayer(weights, bias), LayerInputs(x, -extreme, extreme),
        weight_bits=weight_bits, out_bits=out_bits, clip_quantile=1.0,
    )  # fmt: skip
    low, high = stage.bounds(-extreme, extreme)
    assert np.abs(np.concatenate([low, high])).max() <= INT32_MAX
    np.testing.assert_allclose(
        stage.run_float(x.astype(np.float64)) * unit, x @ weights.T + bias, rtol=1e-9, atol=1e-6
    )


@pytest.mark.parametrize("n_frames", [2, 5, 32])
def test_sums_of_scores_never_risk_overflow(n_frames: int) -> None:
    """Scores of wide inputs and weights are small enough to be summed over the frames asked for."""
    rng = np.random.default_rng(n_frames)
    weights, bias = rng.normal(size=(3, 600)), rng.normal(size=3)
    x = rng.integers(-32767, 32768, (50, 600)).astype(np.int32)
    extreme = np.full(600, 32767, dtype=np.int64)
    stage, _ = quantise_dense(
        RealLayer(weights, bias), LayerInputs(x, -extreme, extreme),
        weight_bits=16, out_bits=32, clip_quantile=1.0, n_summed=n_frames,
    )  # fmt: skip
    low, high = stage.bounds(-extreme, extreme)
    assert high.max() > 2**28 / n_frames
    Window(3, 1, n_frames, 16, 16).bounds(low, high)


def test_rounding_leaves_no_offset() -> None:
    """On inputs with a large mean, the bias takes back what rounding the weights adds."""
    rng = np.random.default_rng(8)
    x = (5000 + rng.integers(-50, 50, (1000, 64))).astype(np.int32)
    weights = rng.normal(size=(3, 64))
    extreme = np.full(64, 32767, dtype=np.int64)
    stage, unit = quantise_dense(
        RealLayer(weights, np.zeros(3)),
        LayerInputs(x, -extreme, extreme),
        weight_bits=8,
        out_bits=32,
        clip_quantile=1.0,
    )
    error = stage.run(x, {})[0] * unit - x @ weights.T
    assert np.abs(error.mean(axis=0)).max() < error.std()


def test_real_features_end_where_integer_ones_do() -> None:
    """In real numbers, what a classifier was fitted to saturates, and its own layers do not."""
    x = np.arange(-9, 10, dtype=np.int32)[:, None] * 1000
    extreme = np.full(1, 9000, dtype=np.int64)
    one = RealLayer(np.ones((1, 1)), np.zeros(1))
    widths = {"weight_bits": 8, "out_bits": 8, "clip_quantile": 0.6}
    narrow, _ = quantise_dense(one, LayerInputs(x, -extreme, extreme), **widths)  # type: ignore[arg-type]
    features = StageChain(None, (), -extreme, extreme).then(narrow).learned_behind()
    assert np.abs(features.run_float(x)).max() == np.abs(features.run(x)).max() == 127
    assert np.abs(features.run_float(x) - features.run(x)).max() <= 0.5

    limit = np.full(1, 127, dtype=np.int64)
    given_ = LayerInputs(features.run(x), -limit, limit)
    layer, _ = quantise_dense(one, given_, **widths)  # type: ignore[arg-type]
    whole = features.then(layer)
    assert np.abs(whole.run(x)).max() == 127 < np.abs(whole.run_float(x)).max()


def test_one_outlier_does_not_take_the_whole_range() -> None:
    """A weight scale gives up an outlier whose input hardly varies for the others' precision.

    Clipping outliers against their cost is common practice, no source.
    """
    rng = np.random.default_rng(9)
    x = np.column_stack([rng.integers(-100, 101, (500, 15)), rng.integers(0, 2, 500)])
    weights = np.append(rng.uniform(-0.01, 0.01, 15), 1.0)[None]
    extreme = np.append(np.full(15, 100), 1).astype(np.int64)
    stage, _ = quantise_dense(
        RealLayer(weights, np.zeros(1)), LayerInputs(x.astype(np.int32), -extreme, extreme),
        weight_bits=8, out_bits=32, clip_quantile=1.0,
    )  # fmt: skip
    assert stage.real_weights[0, -1] > 127 == int(stage.weights[0, -1])


def test_what_differs_between_origins_is_taken_away() -> None:
    """Two recordings keep what parts them where they are of one origin, and lose it elsewhere."""
    near, far = (
        replace(Excerpt.whole(np.full((3, 2), value, dtype=np.int32)), origin=origin)
        for value, origin in ((10, "P01"), (20, "P01"))
    )
    np.testing.assert_array_equal(
        centred_values([near, far]), np.repeat([[-5.0] * 2, [5.0] * 2], 3, 0)
    )
    apart = [near, replace(far, origin="P02")]
    assert not centred_values(apart).any()
    assert not centred_values([replace(each, origin="") for each in (near, far)]).any()


def test_principal_directions_prefer_signal_over_noise() -> None:
    """Where one axis is all noise and a weaker one all signal, the weaker comes first."""
    rng = np.random.default_rng(10)
    noise = np.diag([100.0, 1.0, 1.0])
    x = rng.multivariate_normal(np.zeros(3), noise + np.diag([0.0, 25.0, 1.0]), 4000)
    first = principal_directions(x, noise, 1)[0]
    assert np.abs(first[1]) > 10 * np.abs(first[[0, 2]]).max()
    assert first[np.abs(first).argmax()] > 0


def test_fisher_directions_are_the_discriminants_of_scikit_learn() -> None:
    """On Fisher's own iris data, our directions are those of linear discriminant analysis.

    Data: R. A. Fisher, 1936, as bundled with scikit-learn; brought to unit spread within classes,
    where shrinking the spread changes no direction.
    """
    x, y = load_iris(return_X_y=True)
    within = np.concatenate([x[y == c] - x[y == c].mean(axis=0) for c in range(3)])
    x = x @ np.linalg.inv(np.linalg.cholesky(within.T @ within / len(x))).T
    ours = fisher_directions(x, y, 4)
    assert ours.shape == (2, 4)
    theirs = LinearDiscriminantAnalysis().fit(x, y).scalings_
    for mine, other in zip(ours, theirs.T, strict=True):
        cosine = mine @ other / np.linalg.norm(mine) / np.linalg.norm(other)
        assert abs(cosine) > 0.999


@pytest.mark.parametrize("offset", [50, -400])
def test_what_differs_between_recordings_is_no_direction(offset: int) -> None:
    """A recording whose shares all lie elsewhere, as another person's do, turns no direction."""
    rng = np.random.default_rng(5)
    signal = np.cumsum(rng.integers(-30, 31, (2, 400, 1)), axis=1) * np.array([3, -2, 1, 0, 0])
    shares = (signal + rng.integers(-9, 10, (2, 400, 5))).astype(np.int32)
    level = np.zeros((400, 1), np.int32)
    features = FeatureRecipe(projection="principal", directions=2)

    def learned(moved: int) -> np.ndarray:
        second = shares[1] + np.array([0, 0, 0, moved, moved], np.int32)
        both = [np.hstack([shares[0], level]), np.hstack([second, level])]
        return _directions([Excerpt.whole(values) for values in both], features, 1)

    np.testing.assert_allclose(learned(offset), learned(0), atol=1e-9)
