"""The package as it is installed: entry points, shipped files, and (for the built wheel) that nothing comes from the checkout."""

from __future__ import annotations

import importlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.command_line import VERBS

PACKAGES = ("mission", "synth", "eval", "pipeline", "configs")


def _panelscout(*arguments: str) -> subprocess.CompletedProcess[str]:
    code = "from pipeline.command_line import main; main()"
    return subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, timeout=240)


@pytest.mark.parametrize("name", PACKAGES)
def test_packages_come_from_where_they_should(name):
    found = Path(str(importlib.import_module(name).__file__)).resolve()
    site = os.environ.get("PANELSCOUT_WHEEL_SITE")
    if site:
        assert found.is_relative_to(Path(site).resolve())
    else:
        assert found.is_file()


@pytest.mark.parametrize("kind", ["missions", "recipes", "models", "rulebooks"])
def test_configuration_ships_with_the_package(kind):
    from mission.settings import CONFIGS

    assert list((CONFIGS / kind).glob("*.yaml"))


def test_brief_runs_on_the_shipped_mission():
    done = _panelscout("brief", "harrow-fen")
    assert done.returncode == 0, done.stderr
    assert "ground sample distance" in done.stdout.lower()


def test_marks_ship_with_the_package():
    from synth.marks import mark_atlas

    assert len(mark_atlas().faces("all")) >= 60


@pytest.mark.parametrize("verb", list(VERBS))
def test_every_verb_has_help(verb):
    done = _panelscout(verb, "--help")
    assert done.returncode == 0, done.stderr
    assert "Usage:" in done.stdout


def test_an_unknown_verb_is_refused_in_one_sentence():
    done = _panelscout("launch")
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
