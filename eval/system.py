"""A scored system read back from disk: its scorecard and the evidence behind it, checked before they are believed."""

from __future__ import annotations

import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from eval.evidence import file_sha256
from eval.matching import Matches
from mission.atomic import read_json
from mission.errors import InputError, must
from mission.settings import check_format

_NEEDED = (
    "categories", "frame_cluster", "det_frame", "det_category", "det_score", "det_rank", "det_match", "det_ignored",
    "obj_frame", "obj_category", "obj_ignored", "working_confidence",
)  # fmt: skip


@dataclass(frozen=True)
class System:
    """One scorecard with its evidence. ``cluster`` [F] tells the clusters that frames are drawn by."""

    folder: Path
    card: Mapping[str, Any]
    arrays: Mapping[str, NDArray[Any]]
    matches: Matches

    @property
    def cluster(self) -> NDArray[np.int64]:
        """Cluster of each frame [F]."""
        return self.arrays["frame_cluster"]

    @property
    def categories(self) -> tuple[str, ...]:
        """Category names in the order of the arrays."""
        return tuple(str(name) for name in self.arrays["categories"])

    @property
    def name(self) -> str:
        """What to call it in a table."""
        return str(self.card.get("bundle") or self.folder.name)


def read_system(path: str | Path) -> System:
    """Read a scorecard (its folder, or scorecard.json in it) and the evidence.npz beside it.

    InputError in one sentence where either is missing, broken, of another contract or not of the other's making.
    """
    card_path = Path(path) / "scorecard.json" if Path(path).is_dir() else Path(path)
    card = read_json(card_path)
    if not isinstance(card, dict):
        raise InputError(f"The file {card_path} must hold an object. Got {type(card).__name__} instead.")
    check_format(card, "scorecard/1", card_path)
    for key in ("truth_sha256", "evidence_sha256"):
        if not isinstance(card.get(key), str):
            raise must(key, "be a SHA-256", card.get(key), where=card_path)
    if not isinstance(card.get("detection"), dict):
        raise must("detection", "be an object", card.get("detection"), where=card_path)
    evidence = card_path.parent / "evidence.npz"
    if not evidence.is_file():
        raise InputError(f"The file {evidence} must lie beside its scorecard. Got no such file instead.")
    found = file_sha256(evidence)
    if found != card["evidence_sha256"]:
        raise InputError(f"The evidence {evidence} must be the one that its scorecard names. Got another file instead.")
    arrays = _read_arrays(evidence)
    return System(card_path.parent, card, arrays, _matches(arrays, evidence))


def _read_arrays(path: Path) -> dict[str, NDArray[Any]]:
    try:
        with np.load(path, allow_pickle=False) as file:
            arrays = {name: file[name] for name in file.files}
    except (OSError, ValueError, EOFError, KeyError, zipfile.BadZipFile, zlib.error):
        raise InputError(f"The evidence {path} must be whole arrays in NPZ. Got something else instead.") from None
    for name in _NEEDED:
        if name not in arrays:
            raise must(name, "be in the evidence", "nothing", where=path)
    return arrays


def _matches(arrays: Mapping[str, NDArray[Any]], path: Path) -> Matches:
    frames, detections = len(arrays["frame_cluster"]), len(arrays["det_frame"])
    objects, categories = len(arrays["obj_frame"]), len(arrays["categories"])
    areas, ious = arrays["det_match"].shape[:2] if arrays["det_match"].ndim == 3 else (0, 0)
    sound = (
        (areas, ious) == (4, 10)
        and arrays["det_match"].shape == arrays["det_ignored"].shape == (4, 10, detections)
        and arrays["obj_ignored"].shape == (4, objects)
        and all(len(arrays[k]) == detections for k in ("det_category", "det_score", "det_rank"))
        and len(arrays["obj_category"]) == objects
        and len(arrays["working_confidence"]) == categories
        and _within(arrays["det_frame"], frames)
        and _within(arrays["obj_frame"], frames)
        and _within(arrays["det_category"], categories)
        and _within(arrays["obj_category"], categories)
        and _within(arrays["frame_cluster"], frames)
    )
    if not sound:
        raise InputError(f"The evidence {path} must hold arrays that fit together. Got others instead.")
    return Matches(
        frames=frames,
        categories=categories,
        det_row=np.arange(detections),
        det_frame=arrays["det_frame"],
        det_category=arrays["det_category"],
        det_score=arrays["det_score"],
        det_rank=arrays["det_rank"],
        det_object=np.where(arrays["det_match"], 0, -1).astype(np.int32),
        det_ignored=arrays["det_ignored"].astype(bool),
        obj_frame=arrays["obj_frame"],
        obj_category=arrays["obj_category"],
        obj_ignored=arrays["obj_ignored"].astype(bool),
    )


def _within(rows: NDArray[Any], count: int) -> bool:
    return rows.dtype.kind in "iu" and (not len(rows) or (int(rows.min()) >= 0 and int(rows.max()) < count))
