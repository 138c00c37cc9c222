"""The cautions are complete, and every place that shows them shows all."""

from __future__ import annotations

from pathlib import Path

import pytest

from mission.cautions import CAUTIONS, SHORT, as_markdown, as_text

# One phrase per duty that must never go missing.
DUTIES = (
    "aviation authority", "owner of the site", "safety officer", "licensed remote pilot", "releases nothing",
    "height limit", "line of sight", "airspace notices", "spotter", "take over by hand", "Nobody who is not part",
    "geofence", "lost link", "low battery", "reserve", "No person detected does not mean", "second human",
    "only the word of the pilot or the safety officer", "unconfirmed", "keep-clear", "ellipse", "too coarsely",
    "Held", "dummy", "privacy law", "exercise markers, not distress signals", "rescue service", "V, X, N, Y",
    "take every panel away",
)  # fmt: skip


@pytest.mark.parametrize("phrase", DUTIES)
def test_every_duty_is_stated(phrase):
    assert phrase in as_text()


def test_markdown_and_text_hold_the_same_cautions():
    assert as_markdown().count("\n- **") == len(CAUTIONS) - 1
    assert as_markdown().replace("**", "").replace("- ", "") == as_text()
    assert "human" in SHORT


def test_the_readme_carries_them_word_for_word():
    readme = Path(__file__).parents[2] / "README.md"
    if not readme.exists():
        pytest.skip("no README.md beside the tests")
    text = " ".join(readme.read_text(encoding="utf-8").split())
    for caution in CAUTIONS:
        assert caution.text in text
