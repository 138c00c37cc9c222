"""evidence.npz: the per-frame facts behind a scorecard, which is what a paired comparison of two systems needs.

Arrays (F frames, K categories, O objects, D detections, A area ranges, T IoU thresholds, R runs, P panels):
``frame_id`` [F], ``frame_cluster`` [F], ``frame_hectares`` [F] (NaN unknown), ``cluster_by``, ``categories`` [K],
``working_confidence`` [K], ``iou`` [T];
``det_frame``, ``det_category``, ``det_score``, ``det_rank`` [D], ``det_match``, ``det_ignored`` [A, T, D];
``obj_frame``, ``obj_category`` [O], ``obj_ignored`` [A, O]; ``panel_object`` [P], ``panel_found`` [P], ``attribute_hit``
[P, 4] (1 right, 0 wrong, -1 truth unknown); ``location_error_m`` [n, 2] (east, north), ``location_cluster`` [n];
``run_name``, ``run_cluster``, ``run_earned``, ``run_possible`` [R]. No pickled objects: read it with allow_pickle=False.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from eval.matching import IOU_THRESHOLDS, Matches
from eval.resampling import Clusters
from mission.atomic import replacing


def matching_evidence(
    matches: Matches, clusters: Clusters, categories: tuple[str, ...], working: Mapping[str, float]
) -> dict[str, NDArray[Any]]:
    """The arrays that every case has."""
    return {
        "categories": np.array(categories, dtype=str),
        "working_confidence": np.array([working[name] for name in categories], dtype=float),
        "iou": IOU_THRESHOLDS,
        "frame_cluster": clusters.code,
        "cluster_by": np.array(clusters.by, dtype=str),
        "det_frame": matches.det_frame,
        "det_category": matches.det_category,
        "det_score": matches.det_score,
        "det_rank": matches.det_rank,
        "det_match": matches.det_object >= 0,
        "det_ignored": matches.det_ignored,
        "obj_frame": matches.obj_frame,
        "obj_category": matches.obj_category,
        "obj_ignored": matches.obj_ignored,
    }


def write_evidence(path: Path, arrays: dict[str, NDArray[Any]]) -> str:
    """Write the arrays whole and return the file's SHA-256; equal arrays give equal bytes."""
    if any(array.dtype.hasobject for array in arrays.values()):
        raise TypeError("evidence holds plain arrays only: an object array would be pickled")
    ordered: dict[str, Any] = {name: arrays[name] for name in sorted(arrays)}
    with replacing(path) as temporary, temporary.open("wb") as file:
        np.savez_compressed(file, **ordered)
    return file_sha256(path)


def file_sha256(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
