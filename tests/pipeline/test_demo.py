"""What the demo starts from and how long it trains; the whole of it is run by ``make demo``."""

from __future__ import annotations

import dataclasses

import pytest
from click.testing import CliRunner

from mission.errors import InputError
from pipeline.commands import demo as command
from pipeline.demo import DemoOptions, Listener, _fit, _state
from pipeline.shrink import shrink_bundle
from tests.pipeline.test_bundle import MODEL, WORDS
from tests.pipeline.test_starting_weights import written


@pytest.fixture
def asked(monkeypatch, tmp_path):
    """Runs the command with a stand-in for the demo; what it was asked for, and what was said."""
    monkeypatch.setattr("pipeline.find_bundle.SHIPPED", tmp_path / "bundles")
    caught: list[DemoOptions] = []

    def stand_in(out, options, listener):
        caught.append(options)
        raise KeyboardInterrupt

    monkeypatch.setattr(command, "demo", stand_in)
    monkeypatch.setattr(command, "show_brief", lambda *arguments: None)

    def run(*options: str) -> tuple[DemoOptions, str]:
        said = CliRunner().invoke(command.demo_command, ["--out", str(tmp_path / "out"), *options]).output
        return caught[-1], said

    return run


def test_without_a_shipped_bundle_it_trains_from_nothing_and_says_so(asked):
    options, said = asked()
    assert (options.start, options.fit_minutes) == (None, 3.6)
    assert "ships no default bundle to start from: the demo trains from nothing" in " ".join(said.split())


def test_with_one_it_is_tuned_unless_asked_otherwise(asked, tmp_path):
    shrink_bundle(written(tmp_path / "tiny", MODEL, WORDS), tmp_path / "bundles" / "default")
    options, said = asked()
    assert (options.start, options.fit_minutes) == ("default", 2.0) and "from nothing" not in said
    options, said = asked("--from-scratch")
    assert (options.start, options.fit_minutes) == (None, 3.6) and "ships no" not in said
    assert asked("--minutes", "7")[0].fit_minutes == 7
    with pytest.raises(InputError, match="The 'minutes' must be above 0"):  # before a frame is drawn
        DemoOptions(fit_minutes=-1.0)


def test_the_training_step_goes_on_from_the_bundle(monkeypatch, tmp_path):
    calls, said = [], []
    monkeypatch.setattr("pipeline.fit.fit", lambda *arguments, **settings: calls.append(settings))
    listener = Listener(said.append, said.append, lambda done, total: None, lambda report: None)
    for start in (None, "default"):
        _fit(tmp_path / "bundle", DemoOptions(start=start, fit_minutes=2.0), None, listener)
    assert [call["start"] for call in calls] == [None, "default"]
    assert said == [
        "Training a detector and four readers from nothing, 2 minutes",
        "Tuning the bundle 'default' for this field, 2 minutes",
    ]


def test_a_demo_begun_from_nothing_is_not_gone_on_with_from_a_bundle():
    begun = DemoOptions()
    assert _state(begun, finished=False) != _state(dataclasses.replace(begun, start="default"), finished=False)
