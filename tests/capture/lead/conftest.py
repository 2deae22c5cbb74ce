"""What the tests of this room share."""

from __future__ import annotations

from pathlib import Path

import pytest
from bench_sensor import SENSOR
from live_models import export, side_model


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return an exported model of the bench sensor."""
    return export(side_model(SENSOR), tmp_path_factory.mktemp("bench"))
