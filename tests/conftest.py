"""What all tests share: photographs that tests prepare as ground are kept in a folder that goes away with them."""

from __future__ import annotations

import os

import pytest


@pytest.fixture(scope="session", autouse=True)
def _own_ground_store(tmp_path_factory: pytest.TempPathFactory):
    before = os.environ.get("PANELSCOUT_GROUND_STORE")
    os.environ["PANELSCOUT_GROUND_STORE"] = str(tmp_path_factory.mktemp("ground-store"))
    yield
    if before is None:
        del os.environ["PANELSCOUT_GROUND_STORE"]
    else:
        os.environ["PANELSCOUT_GROUND_STORE"] = before
