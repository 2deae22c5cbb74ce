"""People who hold poses, recorded once for all tests of the audit that need as many as it does."""

from __future__ import annotations

from pathlib import Path

import pytest
from invented_people import record_people

from capture.cues.script import parse_script
from trainer.audit.findings import LEAST_PEOPLE

HELD = b"""\
name = "held"
movement = false
lead_in_s = 0.5
rest_s = [0.2, 0.3]

[[cue]]
trial_type = "fingers_0"
repetitions = 3
duration_s = 0.7

[[cue]]
trial_type = "fingers_5"
repetitions = 3
duration_s = 0.7
"""


@pytest.fixture(scope="session")
def held_people(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return recordings of as many people as are needed to tell anything; not to be changed."""
    folder = tmp_path_factory.mktemp("held") / "data"
    record_people(folder, parse_script(HELD, "held"), LEAST_PEOPLE, 0)
    return folder
