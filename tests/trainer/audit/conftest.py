"""What the audit's tests share, made once: people who hold poses, a model, and what it heard."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from invented_people import record_people
from invented_takes import HELD

from capture.cues.script import parse_script
from capture.emulated.optic.optics import SENSORS
from runtime.model import Model, load_model
from trainer.audit.findings import LEAST_PEOPLE
from trainer.audit.steps import ChainTakes, chain_steps

MODELS = Path(__file__).resolve().parents[3] / "models"


@pytest.fixture(scope="session")
def held_people(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return recordings of as many people as are needed to tell anything; not to be changed."""
    folder = tmp_path_factory.mktemp("held") / "data"
    record_people(folder, parse_script(HELD, "held"), LEAST_PEOPLE, 0)
    return folder


@pytest.fixture(scope="session")
def dynamic() -> Model:
    """Return the demo's model of movements, windows and all, at the emulated setting."""
    return dataclasses.replace(load_model(MODELS / "dynamic"), sensor=SENSORS["lensless32"])


@pytest.fixture(scope="session")
def heard(dynamic: Model, recorded_once: Path) -> ChainTakes:
    """Return what every step held of the small data set; not to be changed."""
    return chain_steps(dynamic, recorded_once)
