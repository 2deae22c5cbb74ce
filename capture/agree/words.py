"""What is told of agreement: in lines, and as plain JSON values."""

from __future__ import annotations

from collections.abc import Iterator

from capture.agree.boundaries import Boundaries
from capture.agree.coefficients import Estimate
from capture.agree.whole import StudyAgreement

__all__ = ["agreement_figures", "agreement_lines"]


def agreement_lines(found: StudyAgreement) -> Iterator[str]:
    """Yield each pair of labellers and each panel, whole and per class."""
    if not found.pairs:
        yield "no cue was judged by two labellers: let a second one finish a blind review"
        return
    yield f"{found.n_cues} cues of {found.n_sessions} sessions were judged by two labellers or more"
    for pair in found.pairs:
        yield (
            f"{pair.first} and {pair.second}: Cohen's kappa {_figure(pair.kappa)}, "
            f"{pair.n_alike} of {pair.kappa.n} cues alike, {pair.n_people} people"
        )
        for name, estimate in pair.per_class.items():
            yield f"  {name}: kappa {_figure(estimate)}"
        for name, boundaries in pair.boundaries.items():
            yield f"  ends of {name}: {_boundaries_line(boundaries)}"
    for panel in found.panels:
        if panel.n_labellers > 2:
            yield (
                f"{panel.n_labellers} labellers: Fleiss' kappa {_figure(panel.kappa)}, "
                f"{panel.kappa.n} cues, {panel.n_people} people"
            )
            for name, estimate in panel.per_class.items():
                yield f"  {name}: kappa {_figure(estimate)}"


def _figure(estimate: Estimate, unit: str = "", places: int = 3) -> str:
    if estimate.value is None:
        return "not defined (one name only)"
    text = f"{estimate.value:.{places}f}{unit}"
    if estimate.low is None or estimate.high is None:
        return f"{text} (no interval)"
    return f"{text} (95 % {estimate.low:.{places}f} to {estimate.high:.{places}f})"


def _boundaries_line(found: Boundaries) -> str:
    return (
        f"start {_figure(found.onset_s, ' s')} apart, end {_figure(found.end_s, ' s')} apart, "
        f"intersection over union {_figure(found.overlap)}, {found.overlap.n} takes"
    )


def agreement_figures(found: StudyAgreement) -> dict[str, object]:
    """Return the agreement as plain JSON values."""
    return {
        "n_cues": found.n_cues,
        "n_sessions": found.n_sessions,
        "pairs": [
            {
                "first": pair.first,
                "second": pair.second,
                "n_people": pair.n_people,
                "n_alike": pair.n_alike,
                "cohens_kappa": pair.kappa.to_json(),
                "per_class": {name: each.to_json() for name, each in pair.per_class.items()},
                "boundaries": {name: each.to_json() for name, each in pair.boundaries.items()},
            }
            for pair in found.pairs
        ],
        "panels": [
            {
                "n_labellers": panel.n_labellers,
                "n_people": panel.n_people,
                "fleiss_kappa": panel.kappa.to_json(),
                "per_class": {name: each.to_json() for name, each in panel.per_class.items()},
            }
            for panel in found.panels
        ],
    }
