"""What the tests of this room share.

Property tests are judged on what they find, never on how fast a shared machine is.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from bench_sensor import BenchSensor
from hypothesis import settings

settings.register_profile("capture", deadline=None, max_examples=60)
settings.load_profile("capture")


@pytest.fixture
def bench_sensor() -> Iterator[BenchSensor]:
    sensor = BenchSensor()
    yield sensor
    sensor.close()
