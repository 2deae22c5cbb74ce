"""The tables of a recipe from features to examination; what its head may be stands beside it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from trainer.recipe_head import Table

__all__ = [
    "MAX_SEGMENT_FRAMES",
    "TARGETS",
    "DecisionRecipe",
    "EvaluationRecipe",
    "FeatureRecipe",
    "QuantisationRecipe",
    "QuantityRecipe",
]

TARGETS = {"distance_mm": "mm"}
"""What recordings know of themselves that a model can learn to measure, and its unit."""
MAX_SEGMENT_FRAMES = 1024
"""The window stage's own limit: sensors of any rate see 1.6 s."""


class FeatureRecipe(Table):
    """Features of one frame and of a window of frames; every one becomes an integer stage.

    ``bins`` bins down and across, or, for ``entry = "pixels"``, ``pixels`` single pixels: ``qr``
    chooses them by what they tell about the readouts' strongest directions, ``random`` does not
    look. ``rows`` are the first row read and the row after the last one; the whole sensor without.
    With ``steady``, a mean over a few frames comes before anything else is made of the values, the
    shortest at the sensor's frame rate that lets no flicker of lamps on the mains through. Without
    a word on it, it is taken where a window adds up several frames as one segment, and neither
    motion nor swings: such a window tells what is held still in it, which a mean leaves as it is.
    ``level_bits`` bits of a level-normalised feature, with ``roots`` the square root of each share;
    ``projection`` onto ``directions`` learned
    directions (``principal``: most signal for the noise, ``fisher``: most difference between
    classes for the spread within them) or drawn ones (``random``: dense, ``ternary``: a third of
    the weights are +-1, ``sparse``: one in the root of the number of values), or ``none``;
    ``motion`` adds the change between frames as a feature; the window is ``segments`` sums of
    ``segment_frames`` frames each. Where movements are answered, these are the most frames: no
    window reaches back behind the cue of a usual gesture, which training finds out.

    With ``swing_frames`` the window sums, in the place of values, how strongly each goes to and fro
    between runs of that many frames, and takes these sums as shares of their own sum; movements of
    a period of about two runs count most. The projection ``swing`` learns the directions in which
    such movements differ most from what there is without them.
    """

    entry: Literal["bins", "pixels"] = "bins"
    bins: tuple[Annotated[int, Field(ge=1, le=256)], Annotated[int, Field(ge=1, le=256)]] = (8, 8)
    pixels: Annotated[int, Field(ge=2, le=4096)] = 32
    choose: Literal["qr", "random"] = "qr"
    rows: tuple[Annotated[int, Field(ge=0, le=255)], Annotated[int, Field(ge=1, le=256)]] | None = (
        None
    )
    steady: bool | None = None
    level_bits: Literal[8, 16] = 8
    roots: bool = False
    projection: Literal["none", "principal", "fisher", "swing", "random", "ternary", "sparse"] = (
        "principal"
    )
    directions: Annotated[int, Field(ge=1, le=256)] = 16
    direction_bits: Literal[8, 16] = 8
    motion: bool = True
    swing_frames: Annotated[int, Field(ge=0, le=32)] = 0
    segments: Annotated[int, Field(ge=1, le=64)] = 8
    segment_frames: Annotated[int, Field(ge=1, le=MAX_SEGMENT_FRAMES)] = 4

    @property
    def without_lamps(self) -> bool:
        """Whether a mean against lamps is taken: where asked for, or of what is held still."""
        if self.steady is not None:
            return self.steady
        moves = self.motion or self.swing_frames > 0
        return self.segments == 1 and self.segment_frames > 1 and not moves

    @model_validator(mode="after")
    def _swings_stand_alone(self) -> FeatureRecipe:
        if self.projection == "swing" and not self.swing_frames:
            raise ValueError('projection "swing" needs swing_frames of 1 or more')
        if self.swing_frames and self.motion:
            raise ValueError("motion must be false where swing_frames are given")
        return self


class QuantisationRecipe(Table):
    """Integer widths; scales come from training data, the largest values clipped.

    ``clip_quantile`` is the share of training values that a scale must represent without clipping.
    It hardly matters: in a diffuser's world 0.99, 0.999 and 1 had 0.769, 0.758 and 0.756 of 880
    takes right, with a standard error of 0.014.
    """

    weight_bits: Literal[4, 6, 8, 16] = 8
    hidden_bits: Literal[8, 16] = 8
    clip_quantile: Annotated[float, Field(gt=0.5, le=1)] = 0.999


class DecisionRecipe(Table):
    """From scores to events: when to answer, and how long to stay silent afterwards.

    Scores are means over the last ``average_frames`` frames. An event needs the same answer for
    ``hold_frames`` frames, and no event follows another within ``hold_off_frames``. The margin of
    the best score over the second that an event needs is not given: it is chosen on training
    participants. With background recordings each gesture has its own, and together they find the
    gestures best among those with at most ``max_false_per_hour`` false events an hour; without
    them, all share the one that ``recall`` of the right answers pass.
    """

    average_frames: Annotated[int, Field(ge=1, le=32)] = 1
    hold_frames: Annotated[int, Field(ge=1, le=255)] = 3
    hold_off_frames: Annotated[int, Field(ge=0, le=255)] = 12
    recall: Annotated[float, Field(gt=0, le=1)] = 0.98
    max_false_per_hour: Annotated[float, Field(ge=0, le=3600)] = 0.5


class QuantityRecipe(Table):
    """A quantity in the place of classes: the model ends in values with an interval.

    ``target`` is what each recording says of itself, ``distance_mm`` the distance from sensor to
    hand that a collector noted. It is learned from the last frames of every cue of the recipe's
    classes, by the classifier's ``linear`` (ridge regression) or ``mlp``. The half-width of the
    interval is the one that holds ``coverage`` of the training people when each is held out in
    turn. ``name`` is the value's name in the firmware.
    """

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,31}$")] = "distance"
    target: Literal["distance_mm"] = "distance_mm"
    coverage: Annotated[float, Field(ge=0.5, le=0.99)] = 0.9

    @property
    def unit(self) -> str:
        """Unit of the target."""
        return TARGETS[self.target]


class EvaluationRecipe(Table):
    """How the model is examined.

    ``split`` names what is held out whole; windows are never split at random. ``take_end`` says
    what answers a cue: a ``movement``, which ends somewhere in it and is judged where a gesture
    stands out most, or a pose that is held still and judged at the end of the ``cue``.

    In a stream, an event may begin ``collar_s`` early or late, and end off by that much or by
    ``offset_share`` of the reference's length, whichever is more. What the device tells at one
    moment is right from a gesture's beginning until ``max_latency_s`` after its end.
    """

    split: Literal["participants", "units"] = "participants"
    take_end: Literal["movement", "cue"] = "movement"
    collar_s: Annotated[float, Field(gt=0, le=5)] = 0.2
    offset_share: Annotated[float, Field(ge=0, le=1)] = 0.2
    max_latency_s: Annotated[float, Field(gt=0, le=10)] = 0.5
