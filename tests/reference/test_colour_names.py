"""What we call red, orange … against names given by others.

Sources: Berlin & Kay, Basic Color Terms (1969), focal chips of the eleven terms by way of their Munsell notation (renotation
data converted to sRGB with colour-science, D65); the colour survey of 2010 (949 names) and CSS Color 4, both as carried by
matplotlib; ISCC-NBS centroids (Kelly & Judd, NBS Special Publication 440, 1976), see iscc_nbs.py.
"""

from __future__ import annotations

import numpy as np
import pytest

from mission.vocabulary import COLOURS
from synth.colour import lab_from_linear, linear_from_srgb
from synth.paints import colour_name
from tests.reference.iscc_nbs import CENTROIDS

FOCAL_CHIPS = (
    ("red", (186, 33, 33)), ("red", (148, 0, 22)), ("orange", (194, 91, 57)), ("yellow", (243, 193, 67)),
    ("yellow", (252, 191, 0)), ("brown", (76, 38, 29)), ("green", (0, 115, 56)), ("green", (0, 145, 69)),
    ("blue", (0, 101, 162)), ("blue", (0, 131, 186)), ("purple", (102, 48, 122)), ("pink", (241, 144, 180)),
    ("pink", (211, 118, 155)),
)  # fmt: skip


def named(codes: list[tuple[int, ...]]) -> list[str]:
    """Our names of sRGB codes 0..255."""
    lab = lab_from_linear(linear_from_srgb(np.array(codes) / 255))
    return [COLOURS[i] for i in colour_name(lab)]


def code(text: str) -> tuple[int, ...]:
    """(r, g, b) of "#rrggbb"."""
    return tuple(int(text[i : i + 2], 16) for i in (1, 3, 5))


def test_focal_chips_of_berlin_and_kay_1969() -> None:
    assert named([rgb for _, rgb in FOCAL_CHIPS]) == [name for name, _ in FOCAL_CHIPS]


@pytest.mark.parametrize("table", ["CSS4_COLORS", "XKCD_COLORS"])
def test_head_words_of_two_open_lists_of_named_colours(table: str) -> None:
    colours = getattr(pytest.importorskip("matplotlib.colors"), table)
    prefix = "xkcd:" if table.startswith("XKCD") else ""
    assert named([code(colours[prefix + name]) for name in COLOURS]) == list(COLOURS)


def test_at_least_nine_in_ten_iscc_nbs_centroids_get_their_head_noun() -> None:
    heads = [(name.split()[-1].lower().replace("gray", "grey"), code(text)) for name, text in CENTROIDS]
    heads = [(head, rgb) for head, rgb in heads if head in COLOURS]
    assert len(heads) > 200
    right = [ours == head for (head, _), ours in zip(heads, named([rgb for _, rgb in heads]), strict=True)]
    assert np.mean(right) >= 0.90
