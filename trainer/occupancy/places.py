"""Places in front of one chain of stages: what a fit tells of them, held out in turn or locked."""

from __future__ import annotations

from dataclasses import dataclass

from runtime.model import Model
from trainer.corpus.recordings import Corpus
from trainer.learn.features import StageChain
from trainer.occupancy.figures import Counted
from trainer.occupancy.fronts import ambient_entry, front_chain
from trainer.occupancy.training import (
    Seen,
    assemble_occupancy,
    counted,
    fit_places,
    look_at,
    occupancy_of,
    told_by,
    told_in_turn,
)
from trainer.recipe import Recipe

__all__ = ["Places"]


@dataclass(frozen=True, slots=True)
class Places:
    """A data set's places in front of one chain of stages, at one setting of the sensor.

    Parameters
    ----------
    corpus : Corpus
    recipe : Recipe
        At the sensor's rate.
    chain : StageChain
    seen : list of Seen
        Recordings with their features and truth.
    """

    corpus: Corpus
    recipe: Recipe
    chain: StageChain
    seen: list[Seen]

    @classmethod
    def looked_at(cls, corpus: Corpus, recipe: Recipe) -> Places:
        """Read every recording of a corpus; errors are those of `fit_occupancy`."""
        at_rate = recipe.at(corpus.sensor.frame_rate_hz)
        entry = ambient_entry(corpus.sensor, at_rate.features.bins)
        chain = front_chain(entry, corpus.sensor, occupancy_of(at_rate))
        seen = look_at(corpus, at_rate, {"fixed": chain}, lambda _: None)["fixed"]
        return cls(corpus, at_rate, chain, seen)

    def side(self, locked: bool) -> list[Seen]:
        """Return the recordings of the locked or of the other places."""
        return [each for each in self.seen if each.recording.locked == locked]

    def in_turn(self) -> tuple[tuple[float, ...], list[Counted]]:
        """Return thresholds and what is told of training places, as `fit_occupancy` has them."""
        return told_in_turn(self.side(False), self.chain, self.recipe, self.corpus.sensor)

    def model(
        self, thresholds: tuple[float, ...], provenance: dict[str, str]
    ) -> tuple[Model, list[Counted]]:
        """Fit to all training places; return the model and what it tells of the locked ones."""
        fit = fit_places(self.side(False), self.chain, self.recipe, self.corpus.sensor)
        model = assemble_occupancy(self.recipe, self.corpus, fit, thresholds, provenance)
        sensor, recipe = self.corpus.sensor, self.recipe
        told = [counted(s, told_by(model, fit, s), sensor, recipe) for s in self.side(True)]
        return model, told
