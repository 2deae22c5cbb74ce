"""People of a place: sizes and clothes, and the ellipsoids that a posture is made of.

Sizes are those of British adults of 19 to 65 years, means and standard deviations in millimetres:
stature 1740 (70) for men and 1610 (62) for women (S. Pheasant, Bodyspace, table of adults, as
given by City University of Hong Kong, Online Anthropometry, chapter 2, section 1, "Stature");
sitting height 910 (36) and 850 (35), shoulder breadth over the deltoids 465 (28) and 395 (24),
chest depth 250 (22) and 250 (27) (the same table, from memory). A child of 6 to 12 years is drawn
as a woman of 0.72 to 0.92 of the stature (assumed).

Reflectances: clothes are dark; half of what pedestrians wear sends back less than a tenth of the
light (E. R. Hansen and J. S. Larsen, "Reflection factors for pedestrian's clothing", Lighting
Research and Technology, 1979; the figure from memory). Hair 0.04 to 0.3, skin 0.15 to 0.5 and the
log-normal spread of clothes are assumed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from capture.emulated.places.rays import Blobs

__all__ = ["BREATH_M", "Body", "body_blobs", "draw_body"]

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

_CLOTHES_MEDIAN, _CLOTHES_SPREAD = 0.10, 0.8
_COAT_M = 0.03  # that clothes add on every side; assumed
BREATH_M = 0.005
"""Rise of the chest in a breath at rest, half of it either way (a centimetre, from memory)."""
_SEAT_M = 0.45


@dataclass(frozen=True, slots=True)
class Body:
    """One person.

    Parameters
    ----------
    person : str
        Whose it is; a person belongs to one place.
    stature_m, sitting_m, shoulders_m, chest_m : float
        Standing height, sitting height above the seat, breadth over the shoulders, depth of chest.
    coat, trousers, hair, skin : float
        Reflectances.
    """

    person: str
    stature_m: float
    sitting_m: float
    shoulders_m: float
    chest_m: float
    coat: float
    trousers: float
    hair: float
    skin: float


def draw_body(person: str, rng: np.random.Generator) -> Body:
    """Draw a person: sizes and clothes; see the module for where the numbers come from."""
    man = rng.random() < 0.5
    size, broad, deep, sit = rng.standard_normal(4)
    child = not man and rng.random() < 0.15
    share = rng.uniform(0.72, 0.92) if child else 1.0
    stature = (1.740 + 0.070 * size if man else 1.610 + 0.062 * size) * share
    sitting = (0.910 + 0.036 * (0.7 * size + 0.7 * sit)) if man else (
        0.850 + 0.035 * (0.7 * size + 0.7 * sit)
    ) * share  # fmt: skip
    shoulders = (0.465 + 0.028 * broad if man else 0.395 + 0.024 * broad) * share
    chest = (0.250 + 0.022 * deep if man else 0.250 + 0.027 * deep) * share
    coat, trousers = np.clip(
        _CLOTHES_MEDIAN * np.exp(_CLOTHES_SPREAD * rng.standard_normal(2)), 0.02, 0.8
    )
    return Body(
        person, float(stature), float(sitting), float(shoulders), float(chest),
        float(coat), float(trousers), float(rng.uniform(0.04, 0.3)),
        float(rng.uniform(0.15, 0.5)),
    )  # fmt: skip


def body_blobs(
    body: Body, at: Doubles, heading: Doubles, seated: Doubles, stride: Doubles, there: Doubles
) -> Blobs:
    """Return a person's ellipsoids over some frames.

    Parameters
    ----------
    at : float64 (n_frames, 3)
        Where on the floor, metres, and how far the chest is out, metres.
    heading : float64 (n_frames,)
        Radians from x.
    seated : float64 (n_frames,)
        0 standing to 1 seated.
    stride : float64 (n_frames,)
        How far one foot is before the other, metres; the other way round below zero.
    there : float64 (n_frames,)
        Above a half where the person is in the place.
    """
    forward = np.stack([np.cos(heading), np.sin(heading)], axis=1)
    side = np.stack([-forward[:, 1], forward[:, 0]], axis=1)
    h = body.stature_m
    crown = (1.0 - seated) * h + seated * (_SEAT_M + body.sitting_m)
    hip = (1.0 - seated) * 0.5 * h + seated * (_SEAT_M + 0.1)
    shoulder = crown - 0.18 * h / 1.7
    half_breadth = body.shoulders_m / 2.0 + _COAT_M
    half_depth = body.chest_m / 2.0 + _COAT_M
    parts: list[tuple[Doubles, Doubles, Doubles, float]] = []  # forward/side, z, half axes, colour

    def part(offset: Doubles, z: Doubles, axes: tuple[object, ...], colour: float) -> None:
        half = np.stack([np.broadcast_to(a, z.shape) for a in axes], axis=1).astype(np.float64)  # type: ignore[call-overload]  # each a number or an array of frames
        parts.append((offset, z, half, colour))

    zero = np.zeros((len(at), 2))
    out = at[:, 2]
    part(zero, crown - 0.5 * 0.14 * h, (0.095, 0.078, 0.07 * h), body.hair)
    face = zero + 0.035 * forward
    part(face, crown - 0.6 * 0.14 * h, (0.075, 0.065, 0.05 * h), body.skin)
    part(
        zero, (shoulder + hip) / 2.0,
        (half_depth + out, half_breadth, (shoulder - hip) / 2.0 + 0.08), body.coat,
    )  # fmt: skip
    knee = hip * (1.0 - seated) * 0.5 + seated * _SEAT_M
    for sign in (1.0, -1.0):
        step = (0.5 * sign * stride)[:, None] * forward + (sign * 0.09) * side
        thigh = step * 0.5 + (seated * 0.22)[:, None] * forward
        part(
            thigh, (hip + knee) / 2.0,
            (0.085 + 0.15 * seated, 0.085, np.maximum((hip - knee) / 2.0 + 0.06, 0.08)),
            body.trousers,
        )  # fmt: skip
        shin = step + (seated * 0.40)[:, None] * forward
        part(shin, knee / 2.0, (0.065, 0.065, knee / 2.0 + 0.02), body.trousers)
    centres = np.stack(
        [np.column_stack([at[:, :2] + offset, z]) for offset, z, _, _ in parts], axis=1
    )
    n_parts = len(parts)
    return Blobs(
        centres.astype(np.float32),
        np.stack([half for _, _, half, _ in parts], axis=1).astype(np.float32),
        np.repeat(heading[:, None], n_parts, axis=1).astype(np.float32),
        np.array([colour for *_, colour in parts], np.float32),
        np.repeat(there[:, None] > 0.5, n_parts, axis=1),
    )
