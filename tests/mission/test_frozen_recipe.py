"""The recipe ``plain`` stays what it was when it was frozen, whatever becomes of the defaults."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import yaml

from mission.recipe import load_recipe

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]


def leaves(content: Any, place: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Every setting with its place; a table of weights is one setting."""
    weights = isinstance(content, Mapping) and place and place[-1] in ("kinds", "postures")
    if isinstance(content, Mapping) and not weights:
        for key, value in content.items():
            yield from leaves(value, (*place, key))
    else:
        yield place, content


def test_plain_draws_what_it_drew() -> None:
    frozen = dict(leaves(yaml.safe_load((HERE / "plain-frozen.yaml").read_text())))
    now = dict(leaves(load_recipe("plain").model_dump(mode="json")))
    changed = {place: value for place, value in frozen.items() if now.get(place) != value}
    assert not changed, f"write these down in configs/recipes/plain.yaml as they were: {changed}"


def test_settings_that_came_later_are_written_down_in_plain() -> None:
    """A new setting's default may draw something new: plain must say what it wants of it."""
    frozen = dict(leaves(yaml.safe_load((HERE / "plain-frozen.yaml").read_text())))
    written = dict(leaves(yaml.safe_load((ROOT / "configs/recipes/plain.yaml").read_text())))
    later = set(dict(leaves(load_recipe("plain").model_dump(mode="json")))) - set(frozen)
    assert later and later <= set(written), f"write these down in configs/recipes/plain.yaml: {later - set(written)}"
