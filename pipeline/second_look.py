"""The second look: what the readers say of a detection ("panel or not") joined with what the detector said.

The detector sees the whole frame coarsely, the readers see one crop at full resolution. The final score of a panel is the
geometric mean detector^(1 - w) * look^w; the weight w is chosen on held-out chips, where it is measured, and kept in the
bundle. What the readers do not look at keeps the detector's score.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn

from mission.vocabulary import CATEGORIES
from pipeline.crops import cut_crops
from pipeline.detector import Detections, DetectorNetwork
from pipeline.empty_ground import NOTHING_EMPTY, EmptyChips, GroundReports, ground_reports
from pipeline.field import Field
from pipeline.readers import Readers
from pipeline.score_map import ScoreMap, calibration_errors, fit_score_map
from pipeline.validation import LOOSE_IOU, average_precision, detection_figures, match
from pipeline.working_confidence import MOST_FALSE_A_FRAME, RECALL_WEIGHT, AtWork, choose, evidence_of
from synth.chips import ChipBatch

# Panels below this detector score are not looked at again: nobody acts on them, and there are hundreds of them.
LOOK_FROM_SCORE = 0.05
MOST_LOOK_FROM = 0.15
# At most so many crops a million pixels, and at least so many an image (60 in a frame of 2000 x 1500 px).
LOOKS_PER_MEGAPIXEL, LOOKS_AT_LEAST = 20, 12
WEIGHTS = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8)
# A second look must gain so much average precision on held-out chips to be trusted at all.
LEAST_GAIN = 0.001
NEAR_BEST = 0.003
_BATCH = 32


def worth_a_look(
    score: NDArray[np.float64], is_panel: NDArray[np.bool_], pixels: int, from_score: float = LOOK_FROM_SCORE
) -> NDArray[np.int64]:
    """Numbers of the detections [D] of one image of so many pixels that are looked at again, best first."""
    rows = np.flatnonzero(is_panel & (score >= from_score))
    return rows[np.argsort(-score[rows], kind="stable")][: looks_at_most(pixels)]


def looks_at_most(pixels: int) -> int:
    """How many crops of an image of so many pixels are looked at."""
    return max(LOOKS_AT_LEAST, round(pixels * LOOKS_PER_MEGAPIXEL / 1e6))


def look_from(working_confidence: float, weight: float) -> float:
    """The detector score from which a second look can matter: half of what could still reach the working confidence if
    the look were certain of a panel, within LOOK_FROM_SCORE and MOST_LOOK_FROM."""
    reaches = working_confidence ** (1.0 / (1.0 - weight))
    return float(np.clip(reaches / 2, LOOK_FROM_SCORE, min(MOST_LOOK_FROM, max(working_confidence, LOOK_FROM_SCORE))))


def joined(score: NDArray[np.float64], look: NDArray[np.float64], weight: float) -> NDArray[np.float64]:
    """Detector scores and probabilities of the second look, both [D] in 0..1, as final scores; NaN: not looked at."""
    final = np.clip(score, 1e-6, 1.0) ** (1.0 - weight) * np.clip(look, 1e-6, 1.0) ** weight
    return np.where(np.isnan(look), score, final)


@dataclass(frozen=True)
class Settled:
    """The weight of the second look, and the figures of the whole chain on held-out chips with it and without it.

    ``at_work``: working confidences, as scores, with what is to be expected on the mission's field. ``maps``: from final scores
    to probabilities on that field, for the categories of which there is enough to tell; ``errors``: expected calibration errors
    of each as they are and mapped, on chips to which the map was not fitted.
    """

    weight: float
    figures: dict[str, float]
    without: dict[str, float]
    at_work: dict[str, AtWork]
    maps: dict[str, ScoreMap] = field(default_factory=dict)
    errors: dict[str, tuple[float, float]] = field(default_factory=dict)

    @property
    def working_confidence(self) -> dict[str, float]:
        """The working confidences of the whole chain, as probabilities where scores are mapped."""
        return {
            name: float(self.maps[name](np.array([one.confidence]))[0]) if name in self.maps else one.confidence
            for name, one in self.at_work.items()
        }

    def record(self) -> dict[str, float | None]:
        """Panel AP50 with and without the second look, and calibration errors, for the bundle; None where nothing could be
        measured."""
        found = {"panel AP50": self.figures["panel AP50"], "panel AP50 without": self.without["panel AP50"]}
        for name, (before, after) in self.errors.items():
            found |= {f"{name} calibration error": after, f"{name} calibration error of scores": before}
        return {name: None if np.isnan(value) else round(value, 4) for name, value in found.items()}


def settle(
    detector: nn.Module,
    readers: Readers,
    chips: ChipBatch,
    temperature: float,
    field: Field,
    empty: EmptyChips | None = None,
    *,
    trained: bool = True,
) -> Settled:
    """Choose the weight of the second look by panel AP50 on held-out chips of full resolution: the largest that is within
    NEAR_BEST of the best and no worse than none. Drawn chips underrate the second look, for the detector knows their decoys:
    on photographs with things drawn by other tools it gained most at weights where drawn chips no longer told them apart.

    Then the working confidences for the mission's ``field``, by those chips and ``empty`` ones. ``trained``: False where the
    readers never saw anything but panels; the weight is then 0.
    """
    found = detections(detector.eval(), chips.image)  # type: ignore[arg-type]
    without, weight, final = detection_figures(found, chips), 0.0, found
    if trained:
        looks = looks_at(readers.eval(), chips.image, found, temperature)
        weight = _best_weight(found, looks, chips)
        final = [rescored(one, look, weight) for one, look in zip(found, looks, strict=True)]

    def find(images: Tensor) -> list[Detections]:
        seen = detections(detector, images)  # type: ignore[arg-type]
        if weight == 0.0:
            return seen
        again = looks_at(readers, images, seen, temperature)
        return [rescored(one, look, weight) for one, look in zip(seen, again, strict=True)]

    ground = NOTHING_EMPTY if empty is None else ground_reports(empty, field, find)
    return Settled(weight, detection_figures(final, chips), without, *_at_work(final, chips, ground, field))


def _best_weight(found: Sequence[Detections], looks: Sequence[Tensor], chips: ChipBatch) -> float:
    """See ``settle``."""
    figures = {}
    for weight in WEIGHTS:
        again = [rescored(one, look, weight) for one, look in zip(found, looks, strict=True)]
        figures[weight] = average_precision(match(again, chips, 0))
    best = max(np.nan_to_num(figure) for figure in figures.values())
    near = [w for w in WEIGHTS if figures[w] >= max(best - NEAR_BEST, figures[0.0])]
    return max(near) if near and best > figures[0.0] + LEAST_GAIN else 0.0


def _at_work(
    found: Sequence[Detections], chips: ChipBatch, ground: GroundReports, field: Field
) -> tuple[dict[str, AtWork], dict[str, ScoreMap], dict[str, tuple[float, float]]]:
    """By category: what to work at, maps of final scores to probabilities on the field, and their calibration errors."""
    at_work, maps, errors = {}, {}, {}
    targets = [int((chips.category == number).sum()) for number in range(len(CATEGORIES))]
    for number, name in enumerate(CATEGORIES):
        matches = match(found, chips, number, min_iou=LOOSE_IOU)
        evidence = evidence_of(matches, number, ground, field, targets)
        at_work[name] = choose(evidence, ground, field, RECALL_WEIGHT[name], MOST_FALSE_A_FRAME[name])
        fitted = fit_score_map(*evidence.reports())
        if fitted is not None:
            maps[name], errors[name] = fitted, calibration_errors(matches)
    return at_work, maps, errors


def detections(detector: DetectorNetwork, images: Tensor) -> list[Detections]:
    """Detections in uint8 images [B, 3, H, W], on the CPU, a few images at a time."""
    device, found = _device_of(detector), []
    for part in images.split(_BATCH):
        found += [Detections(d.box_px.cpu(), d.score.cpu(), d.category.cpu()) for d in detector.detect(part.to(device))]
    return found


def looks_at(readers: Readers, images: Tensor, found: Sequence[Detections], temperature: float) -> list[Tensor]:
    """Probabilities of a panel for the detections of each image; NaN where there is no second look."""
    pixels, device = images.shape[-1] * images.shape[-2], _device_of(readers)
    looks = [torch.full_like(one.score, float("nan")) for one in found]
    for first in range(0, len(found), _BATCH):
        part = range(first, min(first + _BATCH, len(found)))
        rows = {
            n: worth_a_look(_array(found[n].score), _array(found[n].category == 0).astype(bool), pixels) for n in part
        }
        box = torch.cat([found[n].box_px[torch.from_numpy(rows[n])] for n in part]).to(device)
        image_of = torch.tensor([n - first for n in part for _ in rows[n]], device=device)
        crops = cut_crops(images[part.start : part.stop].to(device), image_of, box, readers.settings)
        probability = (readers.look(*crops)[1] / temperature).sigmoid().cpu()
        for n, own in zip(part, probability.split([len(rows[n]) for n in part]), strict=True):
            looks[n][torch.from_numpy(rows[n])] = own
    return looks


def rescored(found: Detections, look: Tensor, weight: float) -> Detections:
    """Detections with their final scores, best first."""
    score = torch.from_numpy(joined(_array(found.score), _array(look), weight)).float()
    order = torch.argsort(score, descending=True, stable=True)
    return replace(found, box_px=found.box_px[order], score=score[order], category=found.category[order])


def _device_of(network: object) -> torch.device:
    """Where a network's numbers lie."""
    assert isinstance(network, nn.Module)
    return next((p.device for p in network.parameters()), torch.device("cpu"))


def _array(values: Tensor) -> NDArray[np.float64]:
    return values.double().numpy()
