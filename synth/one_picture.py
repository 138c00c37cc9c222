"""One picture from raw counts to pixels on a CPU, with OpenCV: plane after plane, each small enough for the cache.

The arithmetic is that of ``synth.mosaic`` and ``synth.tone``, which work on batches in phases and in few calls, as a GPU likes
it; here pictures are whole, for OpenCV's filters run over every pixel in less time than others take to pick some.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import torch
from numpy.typing import NDArray

from synth.capture import CaptureSpec
from synth.mosaic import COLOUR_AT_OTHER, COLOUR_IN_ROW, GREEN_AT_COLOUR
from synth.opencv import cv2
from synth.tone import LUMA, WHITE_STEP, adjusts, noise_floor, tone_steps

Plane = NDArray[np.float32]

# Pixels that demosaicing and smoothing look beyond a picture's edge: whole cells of the filter array.
_EDGE = 2
_BINOMIAL = np.array([1, 4, 6, 4, 1], np.float32) / 16


def finish_one(counts: torch.Tensor, capture: CaptureSpec, out: NDArray[np.uint8]) -> None:
    """Pixels into ``out`` [3, H, W] from white-balanced counts [4, H / 2, W / 2] in steps of 1 / WHITE_STEP (changed).

    Equals ``demosaic_phases`` and ``finish`` but for the rounding of sums.
    """
    # Shifted, so that what lies a little below black or above white still has a place in the table.
    coloured = _full_colour(counts.add_(_SHIFT).numpy())
    steps = torch.from_numpy(coloured).int()
    coded = _tone_table(capture.tone).index_select(0, steps.view(-1)).view(steps.shape).numpy()
    if adjusts(capture):
        base, saturation = _adjustment(coded, capture), capture.saturation
        for plane, pixels in zip(coded, out, strict=True):
            cv2.addWeighted(plane, saturation, base, 1.0, 0.0, dst=pixels, dtype=cv2.CV_8U)
    else:
        out[:] = np.rint(coded, out=coded)


def _full_colour(planes: Plane) -> Plane:
    """Full colour [3, H, W] from planes [4, H / 2, W / 2]: each of the published masks over all pixels, then picked."""
    _, h, w = planes.shape
    edged = np.empty((2 * (h + _EDGE), 2 * (w + _EDGE)), np.float32)
    mosaic = _inner(edged)
    for row in (0, 1):
        cv2.merge(tuple(planes[2 * row : 2 * row + 2]), dst=mosaic[row::2].reshape(h, w, 2))
    _continue_edge(edged)
    green, in_row, in_column, other = (_inner(cv2.filter2D(edged, cv2.CV_32F, mask)) for mask in _masks())
    out = np.empty((3, 2 * h, 2 * w), np.float32)
    even, odd = _columns(h, w)
    # Each colour row by row of a cell: what the even columns take and what the odd ones do.
    for row, colour, at_even, at_odd in (
        (0, 0, mosaic, in_row), (1, 0, in_column, other),
        (0, 1, green, mosaic), (1, 1, mosaic, green),
        (0, 2, other, in_column), (1, 2, in_row, mosaic),
    ):  # fmt: skip
        lines = out[colour, row::2]
        cv2.copyTo(at_even[row::2], even, dst=lines)
        cv2.copyTo(at_odd[row::2], odd, dst=lines)
    return out


@lru_cache(maxsize=1)
def _masks() -> tuple[Plane, ...]:
    published = (GREEN_AT_COLOUR, COLOUR_IN_ROW, COLOUR_AT_OTHER)
    green, in_row, other = ((np.array(mask) / 8).astype(np.float32) for mask in published)
    return green, in_row, np.ascontiguousarray(in_row.T), other


@lru_cache(maxsize=8)
def _columns(h: int, w: int) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Masks [h, 2 w] of the even columns and of the odd ones."""
    even = np.tile(np.array([255, 0], np.uint8), (h, w))
    return even, 255 - even


def _inner(edged: Plane) -> Plane:
    return edged[_EDGE:-_EDGE, _EDGE:-_EDGE]


def _continue_edge(edged: Plane) -> None:
    """Fill the edge: the outermost cells of the filter array are repeated."""
    for lines in (edged[:, _EDGE:-_EDGE], edged.T):
        lines[:_EDGE] = lines[_EDGE : 2 * _EDGE]
        lines[-_EDGE:] = lines[-2 * _EDGE : -_EDGE]


# Interpolation reaches three quarters of the range of counts beyond its ends at most.
_SHIFT = WHITE_STEP + 1


@lru_cache(maxsize=8)
def _tone_table(name: str) -> torch.Tensor:
    """Code values of the steps from -_SHIFT on to twice _SHIFT: those beyond black and white are black's and white's."""
    steps = tone_steps(name)
    return torch.cat([steps[:1].expand(_SHIFT), steps, steps[-1:].expand(_SHIFT)])


def _adjustment(coded: Plane, capture: CaptureSpec) -> Plane:
    """What noise reduction, sharpening and saturation add to every colour [3, H, W] times the saturation."""
    red, green, blue = coded
    edged = np.empty((red.shape[0] + 2 * _EDGE, red.shape[1] + 2 * _EDGE), np.float32)
    luma = _inner(edged)
    cv2.addWeighted(red, LUMA[0], green, LUMA[1], 0.0, dst=luma)
    cv2.scaleAdd(blue, LUMA[2], luma, dst=luma)
    _continue_edge(edged)
    smooth = _inner(cv2.sepFilter2D(edged, cv2.CV_32F, _BINOMIAL, _BINOMIAL))
    detail = cv2.subtract(luma, smooth)
    if capture.noise_reduction > 0:
        power = cv2.multiply(detail, detail)
        cv2.multiply(detail, power, dst=detail)
        cv2.divide(detail, cv2.add(power, noise_floor(capture), dst=power), dst=detail)
    cv2.scaleAdd(detail, 1 + capture.sharpening, smooth, dst=detail)
    return cv2.scaleAdd(luma, -capture.saturation, detail, dst=detail)
