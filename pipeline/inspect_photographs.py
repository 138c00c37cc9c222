"""Are these photographs fit for the mission? Focus, smear and exposure, each good, doubtful or unusable, with the reason.

The yardstick is the thinnest stroke that the brief promises: how much of its contrast blur and smear leave. All limits
are our own, set on real aerial photographs degraded by known amounts (tests/pipeline/test_inspect_photographs.py).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from mission.brief import LEAST_STROKE_PX, imaging_brief
from mission.errors import InputError
from mission.mission_file import Mission
from mission.photographs import GroundScale, load_photograph, photograph_scale
from pipeline.edge_sharpness import LONGEST_SMEAR_PX, Sharpness, measure_sharpness

VERDICTS = ("good", "doubtful", "unusable")

# Share of a stroke's contrast that must be left after blur: below the first doubtful, below the second unusable.
BLUR_CONTRAST = (0.75, 0.5)
# Length of the smear in widths of the stroke: above one the stroke has no pixel of its own colour left.
SMEAR_STROKES = (1.0, 1.75)
# Exposure in 8-bit codes and shares of pixels (common practice, no source): white from BLOWN_CODE, black up to BLACK_CODE.
BLOWN_CODE, BLACK_CODE = 253, 4
BLOWN_SHARE = (0.03, 0.20)
BLACK_SHARE = (0.20, 0.60)
MEDIAN_DOUBTFUL, MEDIAN_UNUSABLE = (35, 205), (14, 240)
COARSER_BY = 1.15


@dataclass(frozen=True)
class Exposure:
    """Median luminance code, shares of pixels with a channel at the top and with every channel at the bottom."""

    median: float
    blown_share: float
    black_share: float


@dataclass
class PhotographVerdict:
    """What is said of one photograph; ``reasons`` are empty where everything is good."""

    path: Path
    verdict: str = "good"
    reasons: list[str] = field(default_factory=list)
    sharpness: Sharpness | None = None
    exposure: Exposure | None = None
    scale: GroundScale | None = None

    def say(self, level: int, reason: str) -> None:
        """Add a reason and let the worst one give the verdict (``level`` 1 doubtful, 2 unusable)."""
        self.reasons.append(reason)
        self.verdict = VERDICTS[max(level, VERDICTS.index(self.verdict))]


def inspect_photographs(
    photographs: Sequence[Path], mission: Mission, on_progress: Callable[[int], None] | None = None
) -> list[PhotographVerdict]:
    """Judge photographs one by one; one that cannot be read is unusable and does not stop the others."""
    found = []
    for done, path in enumerate(photographs, start=1):
        try:
            found.append(judge_photograph(load_photograph(path), mission, path, photograph_scale(path)))
        except InputError as error:
            found.append(PhotographVerdict(path, "unusable", [str(error)]))
        if on_progress:
            on_progress(done)
    return found


def judge_photograph(
    pixels: NDArray[np.uint8], mission: Mission, path: Path = Path("photograph"), scale: GroundScale | None = None
) -> PhotographVerdict:
    """Judge one upright RGB photograph [height, width, 3] against a mission; ``scale`` where its own is known."""
    result = PhotographVerdict(path, scale=scale)
    grey = luminance(pixels)
    result.exposure = measure_exposure(pixels, grey)
    result.sharpness = measure_sharpness(grey)
    stroke_px = yardstick_px(mission, scale)
    _judge_exposure(result, result.exposure)
    _judge_sharpness(result, result.sharpness, stroke_px)
    if scale is not None and scale.gsd_m > COARSER_BY * mission.ground_sample_distance_m:
        result.say(
            1,
            f"coarser than the brief: {scale.gsd_m * 100:.1f} cm to the pixel ({scale.source}) instead of"
            f" {mission.ground_sample_distance_m * 100:.1f}",
        )
    return result


def yardstick_px(mission: Mission, scale: GroundScale | None = None) -> float:
    """Width [px] of the thinnest stroke that is to be read: the brief's, but not below what can be read at all."""
    brief = imaging_brief(mission)
    thinnest_px = min(room.stroke_px[0] for room in brief.shapes)
    if scale is not None:
        thinnest_px *= brief.gsd_m / scale.gsd_m
    return max(LEAST_STROKE_PX, thinnest_px)


def stroke_contrast(stroke_px: float, blur_px: float) -> float:
    """Share of its contrast that the middle of a long stroke keeps under a Gaussian blur (error function)."""
    return 1.0 if blur_px <= 0 else math.erf(stroke_px / (2 * math.sqrt(2) * blur_px))


def luminance(pixels: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Luma [height, width] of RGB codes with the weights of ITU-R BT.601."""
    return pixels.astype(np.float32) @ np.array([0.299, 0.587, 0.114], dtype=np.float32)


def measure_exposure(pixels: NDArray[np.uint8], grey: NDArray[np.float32]) -> Exposure:
    """Where the tones lie, on every fourth pixel each way."""
    thin = pixels[::4, ::4]
    return Exposure(
        float(np.median(grey[::4, ::4])),
        float((thin.max(axis=2) >= BLOWN_CODE).mean()),
        float((thin.max(axis=2) <= BLACK_CODE).mean()),
    )


def _judge_exposure(result: PhotographVerdict, exposure: Exposure) -> None:
    bright = _level(exposure.blown_share, BLOWN_SHARE)
    if exposure.median > MEDIAN_UNUSABLE[1]:
        bright = 2
    elif exposure.median > MEDIAN_DOUBTFUL[1]:
        bright = max(bright, 1)
    dark = _level(exposure.black_share, BLACK_SHARE)
    if exposure.median < MEDIAN_UNUSABLE[0]:
        dark = 2
    elif exposure.median < MEDIAN_DOUBTFUL[0]:
        dark = max(dark, 1)
    if bright:
        result.say(bright, f"over-exposed: {exposure.blown_share:.0%} of it is white, median {exposure.median:.0f}")
    if dark:
        result.say(dark, f"under-exposed: {exposure.black_share:.0%} of it is black, median {exposure.median:.0f}")


def _judge_sharpness(result: PhotographVerdict, sharpness: Sharpness, stroke_px: float) -> None:
    if sharpness.blur_px is None or sharpness.smear_px is None:
        result.say(1, f"too few edges to judge focus and smear ({sharpness.edges})")
        return
    smear = _level(sharpness.smear_px / stroke_px, SMEAR_STROKES)
    # The measure ends where it ends; a smear at its end is at least that long.
    if sharpness.smear_px >= LONGEST_SMEAR_PX:
        smear = 2
    if smear:
        more = " or more" if sharpness.smear_px >= LONGEST_SMEAR_PX else ""
        result.say(
            smear,
            f"smeared: about {sharpness.smear_px:.0f} px{more} along {sharpness.smear_direction_deg:.0f} deg"
            f" from image right, a stroke is {stroke_px:.1f} px wide; fly slower or close the shutter sooner",
        )
    contrast = stroke_contrast(stroke_px, sharpness.blur_px)
    blur = 2 if contrast < BLUR_CONTRAST[1] else 1 if contrast < BLUR_CONTRAST[0] else 0
    if blur:
        result.say(
            blur,
            f"out of focus: edges are blurred by {sharpness.blur_px:.1f} px (sigma), and a stroke of {stroke_px:.1f} px"
            f" keeps {contrast:.0%} of its contrast",
        )


def _level(value: float, limits: tuple[float, float]) -> int:
    return 2 if value > limits[1] else 1 if value > limits[0] else 0
