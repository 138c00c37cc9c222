"""Matching the finds of an earlier reading to another wanted list: no model, no torch, well under a second.

It stands apart from pipeline.read so that it starts without what only reading needs.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from mission.errors import InputError
from mission.finds import Finds, read_finds, write_finds
from mission.wanted import load_wanted
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
    after = replace(before, finds=match_wanted(before.finds, {None: load_wanted(wanted)}))
    write_finds(path, after)
    return after
