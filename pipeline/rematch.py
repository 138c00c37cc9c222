"""Matching the finds of an earlier reading to another wanted list: no model, no torch, well under a second.

It stands apart from pipeline.read so that it starts without what only reading needs.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from mission.errors import InputError
from mission.finds import Find, Finds, read_finds, write_finds
from mission.vocabulary import SHAPES, Vocabulary
from mission.wanted import WantedPanel, load_wanted
from pipeline.assign import match_wanted

FINDS = "finds.geojson"


def rematch(out: str | Path, wanted: str | Path) -> Finds:
    """Match the finds in the folder ``out`` to the wanted list in the file ``wanted``, in place; no other file is touched.

    A find that keeps its match keeps a human's word about it; one whose match changes is unconfirmed again. Raises
    InputError where either cannot be read; then nothing is changed.
    """
    path = Path(out) / FINDS
    if not path.exists():
        raise InputError(f"The folder {out} must hold an earlier reading ({FINDS}). Got none instead.")
    before = read_finds(path)
    lists: dict[str | None, tuple[WantedPanel, ...]] = {None: load_wanted(wanted, _vocabulary(before.finds))}
    after = replace(before, finds=match_wanted(before.finds, lists))
    write_finds(path, after)
    return after


def _vocabulary(finds: Iterable[Find]) -> Vocabulary:
    """Every word that a list may use: the whole vocabulary and the shapes of the mission's own that were read."""
    own = {shape for find in finds for shape in find.attributes.get("shape", {}) if shape not in SHAPES}
    return Vocabulary(shapes=(*SHAPES, *sorted(own)))
