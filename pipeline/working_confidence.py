"""The confidence to work at, for fields that are far sparser than chips: what finds most for its false reports *there*.

Held-out chips with targets tell which share of them is found at a score, and which false reports the targets themselves draw
(their shadows, their parts, one category taken for the other); held-out empty ground tells how many others a hectare holds.
With the mission's panels and people a hectare that gives the right and the false reports to be expected, and so the
F-measure: F = (1 + w^2) right / (right + false + w^2 objects), all of them a hectare (C. J. van Rijsbergen, Information
Retrieval, 1979, ch. 7; w: how many times as much recall counts as precision). The confidence of the greatest F is
taken; in terms of the probability that a report is right it lies at F / (1 + w^2) (for w = 1: Z. Lipton, C. Elkan, B.
Narayanaswamy, ECML 2014, LNAI 8725, theorem 1).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mission.vocabulary import CATEGORIES
from pipeline.empty_ground import GroundReports
from pipeline.field import Field
from pipeline.validation import Matches

Floats = NDArray[np.float64]

LOWEST_CONFIDENCE, HIGHEST_CONFIDENCE = 0.05, 0.99
# Where held-out chips hold no such object, nothing can be chosen.
UNCHOSEN_CONFIDENCE = 0.5
# A human looks at every report before anything is done: a false one costs a look, a panel overlooked is lost for the flight and a
# person overlooked may cost a life. With weights of 1 and 2 a bundle that ranks well left a fifth of the panels and two fifths of
# the people on the judge's photographs unreported, for one false report in thirteen frames. The weights are our own choice.
RECALL_WEIGHT = {"panel": 2.0, "person": 6.0}
# Where a smaller share than this is found at the working confidence, the category is said to be hardly learnt.
HARDLY_LEARNT = 0.5
# Of what is hardly learnt, more false reports a frame of the mission's camera nobody looks through (common practice, no source):
# most that is there is missed all the same. A false person holds the finds about it, too.
MOST_FALSE_A_FRAME = {"panel": 1.0, "person": 0.5}
# On less empty ground than so many frames that cannot be told, and nothing is capped.
LEAST_FRAMES = 2.0


@dataclass(frozen=True)
class Evidence:
    """What is known of one category's reports.

    Scores of the objects found [H] of ``objects``; scores of false reports [G] and how many of each a hectare of the field would
    hold; ``on_ground`` [G]: those on empty ground, the others being drawn by targets; ``unseen_per_hectare``: what goes on top
    of those counted; ``per_hectare``: objects on the field.
    """

    found: Floats
    objects: int
    per_hectare: float
    false: Floats
    false_per_hectare: Floats
    on_ground: NDArray[np.bool_]
    unseen_per_hectare: float = 0.0

    def reports(self) -> tuple[Floats, NDArray[np.bool_], Floats]:
        """All reports: score, whether it is right, and how many of it a hectare of the field would hold."""
        each = self.per_hectare / max(self.objects, 1)
        return (
            np.concatenate([self.found, self.false]),
            np.arange(len(self.found) + len(self.false)) < len(self.found),
            np.concatenate([np.full(len(self.found), each), self.false_per_hectare]),
        )

    def recall(self, confidence: float) -> float:
        """Share of the objects that are found; NaN where there are none."""
        return float((self.found >= confidence).sum() / self.objects) if self.objects else float("nan")

    def false_reports(self, confidence: float) -> float:
        """False reports a hectare."""
        return self.unseen_per_hectare + float(self.false_per_hectare[self.false >= confidence].sum())

    def f_measure(self, confidence: float, recall_weight: float) -> float:
        """The F-measure to be expected on the field."""
        right, weight = self.per_hectare * self.recall(confidence), recall_weight**2
        return (1 + weight) * right / (right + self.false_reports(confidence) + weight * self.per_hectare)


def evidence_of(
    matches: Matches, category: int, ground: GroundReports, field: Field, targets: Sequence[int]
) -> Evidence:
    """Put together what chips with ``targets`` (how many of each category) and empty ground tell of a category."""
    kept = ~matches.left_out
    wrong = kept & ~matches.hit
    # False reports of chips that touch no target are those of ground crowded with decoys: they say nothing of a field.
    attracted = wrong & (matches.touches >= 0)
    densities = np.array([field.per_hectare[name] for name in CATEGORIES])
    each = densities / np.maximum(np.asarray(targets, float), 1.0)
    mine = ground.category == category
    return Evidence(
        np.sort(matches.score[kept & matches.hit])[::-1],
        matches.objects,
        field.per_hectare[CATEGORIES[category]],
        np.concatenate([matches.score[attracted], ground.score[mine]]),
        np.concatenate([each[matches.touches[attracted]], ground.per_hectare[mine]]),
        np.arange(int(attracted.sum() + mine.sum())) >= attracted.sum(),
        ground.unseen_per_hectare,
    )


@dataclass(frozen=True)
class AtWork:
    """A working confidence and what is to be expected at it.

    recall: NaN where no object was held out. ``capped``: the cap on false reports, not the F-measure, has set it.
    """

    confidence: float
    recall: float
    objects: int
    false_per_hectare: float
    false_per_frame: float
    false_counted: int
    empty_hectares: float
    empty_frames: float
    f_measure: float
    recall_weight: float
    objects_per_hectare: float
    frame_px: tuple[int, int]
    capped: bool


def choose(
    evidence: Evidence, ground: GroundReports, field: Field, recall_weight: float, most_false_a_frame: float
) -> AtWork:
    """The confidence of the greatest expected F-measure, halfway to the next report below; of what is hardly learnt there, the
    greatest of those that keep false reports a frame within ``most_false_a_frame``.

    Chosen and stated on the same chips, recall and false reports are a little better than others would be.
    """
    tried = _tried(evidence)
    frame = field.hectares_a_frame
    can_cap = ground.hectares / frame >= LEAST_FRAMES

    def measure(confidence: float) -> float:
        return evidence.f_measure(confidence, recall_weight)

    best = max(tried, key=measure) if evidence.objects else UNCHOSEN_CONFIDENCE  # the first of equals: the highest
    confidence = best
    if evidence.objects and can_cap and evidence.recall(best) < HARDLY_LEARNT:
        within = [c for c in tried if evidence.false_reports(c) * frame <= most_false_a_frame]
        confidence = max(within, key=measure) if within else tried[0]
    false = evidence.false_reports(confidence)
    return AtWork(
        confidence, evidence.recall(confidence), evidence.objects, false, false * frame,
        int((evidence.on_ground & (evidence.false >= confidence)).sum()), ground.hectares, ground.hectares / frame,
        measure(confidence) if evidence.objects else float("nan"), recall_weight, evidence.per_hectare, field.frame_px,
        capped=confidence > best,
    )  # fmt: skip


def _tried(evidence: Evidence) -> list[float]:
    """Confidences worth trying, highest first: recall changes at the score of a find, so just below each of them."""
    scores = np.sort(np.concatenate([evidence.found, evidence.false]))
    below = np.concatenate([[0.0], scores])[np.searchsorted(scores, evidence.found, side="left")]
    halfway = np.clip((evidence.found + below) / 2, LOWEST_CONFIDENCE, HIGHEST_CONFIDENCE)
    return sorted({HIGHEST_CONFIDENCE, *halfway.tolist()}, reverse=True)


def sentence(name: str, at_work: AtWork) -> str:
    """What to expect of a category at its working confidence, in one sentence."""
    words = {"panel": ("Panels", "panels"), "person": ("People", "people")}[name]
    width, height = at_work.frame_px
    false = (
        f"{at_work.false_per_frame:.2g} false reports a frame of {width} x {height} px"
        f" ({at_work.false_per_hectare:.2g} a hectare)"
    )
    if at_work.empty_frames < LEAST_FRAMES:
        false = f"how many false reports a frame holds cannot be told from {at_work.empty_frames:.2g} frames of empty ground"
    else:
        false += " are expected"
    if not at_work.objects:
        return f"{words[0]}: none was held out to choose a confidence by; {false}."
    hardly = " are hardly learnt" if at_work.capped or at_work.recall < HARDLY_LEARNT else ""
    share = f"{100 * at_work.recall:.0f} %"
    return f"{words[0]}{hardly}: at this confidence {share} of {words[1]} are found and {false}."


def sentences(at_work: Mapping[str, AtWork]) -> list[str]:
    """One sentence a category, in the order of the categories."""
    return [sentence(name, at_work[name]) for name in CATEGORIES if name in at_work]
