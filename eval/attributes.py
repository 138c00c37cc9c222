"""How well the four attributes of a panel are read: of the panels that were found, and of all that could have been.

A panel is found where a sighting at or above the working confidence met it at IoU 0.5. The value read is the likeliest
of the sighting's table; a missing table is a wrong reading. Truth is known key by key; unknown keys are not counted.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.metrics import confusion_matrix

from eval.case import Case
from eval.intervals import effective_wilson
from eval.matching import Matches
from mission.vocabulary import ATTRIBUTES, Vocabulary, look_alike

#: A word for a reading that is not there, in confusion tables.
NOT_READ = "not read"


@dataclass(frozen=True)
class Readings:
    """The panels that count, row by row [P]: their row among the objects, the truth, and what was read.

    ``truth`` and ``read`` [P, 4] hold text or None (unknown; not read), ``probability`` [P, 4] that of the value read (NaN
    where nothing was read), ``second`` [P, 4] the next likely value or None, ``detection`` [P] the row of the sighting that
    found the panel, or -1.
    """

    object_row: NDArray[np.int64]
    detection: NDArray[np.int64]
    truth: NDArray[np.object_]
    read: NDArray[np.object_]
    probability: NDArray[np.float64]
    second: NDArray[np.object_]

    @property
    def top_two(self) -> NDArray[np.bool_]:
        """Attributes [P, 4] that are known and were the likeliest value or the next."""
        same = [truth == read for truth, read in zip(self.truth.flat, self.second.flat, strict=True)]
        return self.right | (self.known & np.array(same, dtype=bool).reshape(self.truth.shape))

    @property
    def found(self) -> NDArray[np.bool_]:
        """Panels [P] that were found."""
        return self.detection >= 0

    @property
    def known(self) -> NDArray[np.bool_]:
        """Attributes [P, 4] whose truth is known."""
        return np.array([value is not None for value in self.truth.flat], dtype=bool).reshape(self.truth.shape)

    @property
    def right(self) -> NDArray[np.bool_]:
        """Attributes [P, 4] that are known and were read right."""
        same = [truth == read for truth, read in zip(self.truth.flat, self.read.flat, strict=True)]
        return self.known & np.array(same, dtype=bool).reshape(self.truth.shape)

    @property
    def nearly(self) -> NDArray[np.bool_]:
        """Attributes [P, 4] read right or taken for a look-alike."""
        near = [
            [bool(t and r and look_alike(a, t, r)) for a, t, r in zip(ATTRIBUTES, truth, read, strict=True)]
            for truth, read in zip(self.truth, self.read, strict=True)
        ]
        return np.array(near, dtype=bool).reshape(-1, len(ATTRIBUTES))


def likeliest(
    table: Mapping[str, float] | None, attribute: str, vocabulary: Vocabulary | None = None
) -> tuple[str, float] | None:
    """The likeliest value of a table and its probability among the values that the vocabulary allows; None if unread."""
    if not table:
        return None
    allowed = table if vocabulary is None else {v: p for v, p in table.items() if v in vocabulary.values(attribute)}
    total = sum(allowed.values())
    if not total > 0:
        return None
    value = max(allowed, key=lambda name: allowed[name])
    # The whole table is left as it is (it may sum to less than 1 on purpose); a narrowed one is made whole again.
    return value, min(1.0, allowed[value] / (total if len(allowed) < len(table) else 1.0))


def next_likely(table: Mapping[str, float], first: str, attribute: str, vocabulary: Vocabulary | None) -> str | None:
    """The likeliest value after ``first`` that the vocabulary allows; None where there is none."""
    rest = {v: p for v, p in table.items() if v != first and (vocabulary is None or v in vocabulary.values(attribute))}
    return max(rest, key=lambda name: rest[name], default=None)


def readings_of(case: Case, matches: Matches, confidence: float, vocabulary: Vocabulary | None = None) -> Readings:
    """What was read of each panel that counts, by the sighting that found it."""
    category = case.categories.index("panel") if "panel" in case.categories else -1
    rows = np.flatnonzero((matches.obj_category == category) & ~matches.obj_ignored[0])
    finder = np.full(len(case.things), -1)
    working = matches.true() & (matches.det_category == category) & (matches.det_score >= confidence)
    finder[matches.det_object[0, 0, working]] = matches.det_row[working]
    shape = (len(rows), len(ATTRIBUTES))
    truth, read = np.full(shape, None, dtype=object), np.full(shape, None, dtype=object)
    probability, second = np.full(shape, np.nan), np.full(shape, None, dtype=object)
    for i, row in enumerate(rows):
        for j, attribute in enumerate(ATTRIBUTES):
            truth[i, j] = case.things[row].attributes.get(attribute)
            if finder[row] >= 0:
                table = case.sightings[finder[row]].attributes.get(attribute)
                best = likeliest(table, attribute, vocabulary)
                if table and best is not None:
                    read[i, j], probability[i, j] = best
                    second[i, j] = next_likely(table, best[0], attribute, vocabulary)
    return Readings(rows, finder[rows], truth, read, probability, second)


def attribute_figures(
    readings: Readings, cluster: NDArray[np.int64] | None = None, why_no_interval: str | None = None
) -> dict[str, Any]:
    """Accuracy per attribute and for all four, of the panels found and of all (``_of_all``).

    ``cluster`` [P] groups panels that resemble each other (each by itself where left out) for Wilson's interval;
    ``why_no_interval`` withholds the intervals with that reason.
    """
    cluster = np.arange(len(readings.object_row)) if cluster is None else cluster
    right, nearly, known, top_two = readings.right, readings.nearly, readings.known, readings.top_two
    whole = np.asarray(known.all(axis=1))
    figures: dict[str, Any] = {}
    for suffix, among in (("", readings.found), ("_of_all", np.ones(len(whole), dtype=bool))):
        for j, attribute in enumerate(ATTRIBUTES):
            asked = among & known[:, j]
            block = accuracy(right[asked, j], nearly[asked, j], cluster[asked], why_no_interval)
            if asked.any():
                block["top_two"] = float(top_two[asked, j].mean())
                block["balanced_accuracy"] = balanced_accuracy(readings.truth[asked, j], right[asked, j])
            figures[attribute + suffix] = block
        asked = among & whole
        all_right, all_nearly = (np.asarray(part[asked].all(axis=1)) for part in (right, nearly))
        figures["all_four" + suffix] = accuracy(all_right, all_nearly, cluster[asked], why_no_interval)
    return figures


def balanced_accuracy(truth: NDArray[np.object_], right: NDArray[np.bool_]) -> float:
    """Mean over the true values of the share read right, so that common values do not drown rare ones."""
    _, value = np.unique(truth.astype(str), return_inverse=True)
    return float(np.mean(np.bincount(value, right) / np.bincount(value)))


def accuracy(
    right: NDArray[np.bool_],
    nearly: NDArray[np.bool_],
    cluster: NDArray[np.int64],
    why_no_interval: str | None = None,
) -> dict[str, Any]:
    """Share right with Wilson's 95 % interval, and the share with look-alikes granted; null with a reason for none."""
    count = len(right)
    if not count:
        why = "no panel with a known truth to read"
        keys = ("accuracy", "ci95", "look_alikes_granted")
        return {"accuracy": None, "ci95": None, "look_alikes_granted": None, "n": 0, "why": dict.fromkeys(keys, why)}
    block: dict[str, Any] = {"accuracy": float(right.mean())}
    if why_no_interval is None:
        block["ci95"] = list(
            effective_wilson(np.bincount(cluster, right).astype(float), np.bincount(cluster).astype(float))
        )
    else:
        block |= {"ci95": None, "why": {"ci95": why_no_interval}}
    return block | {"look_alikes_granted": float(nearly.mean()), "n": count}


def confusion(readings: Readings, attribute: str) -> dict[str, Any] | None:
    """Counts of true against read values among the panels found: labels and rows of true values; None for none."""
    j = ATTRIBUTES.index(attribute)
    asked = readings.found & readings.known[:, j]
    if not asked.any():
        return None
    truth = readings.truth[asked, j].astype(str)
    read = np.array([NOT_READ if value is None else value for value in readings.read[asked, j]], dtype=str)
    labels = sorted(set(truth) | set(read), key=lambda value: (value == NOT_READ, value))
    return {"labels": labels, "counts": confusion_matrix(truth, read, labels=labels).tolist()}
