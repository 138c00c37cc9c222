"""What the tests of the pipeline share."""

from __future__ import annotations

import pytest

from mission.mission_file import load_mission


@pytest.fixture(scope="session")
def mission():
    return load_mission("harrow-fen")


@pytest.fixture(scope="session")
def mission_vocabulary(mission):
    return mission.panels.vocabulary
