"""What can be measured on a picture, drawn or photographed, and compared: sharpness, noise, colour, texture.

Every measure is a function of pixels uint8 [H, W, 3] alone, the same for both sides; values are lists of floats by name.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synth.colour import ciede2000, lab_from_linear
from synth.photo_look import estimate_blur_px, estimate_noise
from synth.tone import LUMA, linear_from_srgb

_SQUARE, _BLOCK = 64, 16


@dataclass(frozen=True)
class Measure:
    """``name`` heads the histogram, ``unit`` stands beside its axis; ``bounds`` are the axis's ends, ``log`` its kind."""

    key: str
    name: str
    unit: str
    bounds: tuple[float, float]
    log: bool = False


#: Measures of any picture, then those that need to know what was drawn.
OF_PICTURES = (
    Measure("lightness", "lightness of blocks", "CIELAB L*", (0, 100)),
    Measure("green_red", "green to red", "CIELAB a*", (-50, 50)),
    Measure("blue_yellow", "blue to yellow", "CIELAB b*", (-40, 60)),
    Measure("sharpness", "softness: blur against a natural spectrum", "sigma, px", (0.25, 2.1)),
    Measure("noise", "noise in the smoothest parts", "standard deviation, 8-bit codes", (0.1, 15), log=True),
    Measure(
        "fine_contrast", "contrast from pixel to pixel", "standard deviation, share of the mean", (0.01, 1), log=True
    ),
    Measure("coarse_contrast", "contrast over 16 pixels", "standard deviation, share of the mean", (0.01, 1), log=True),
)
OF_PANELS = (
    Measure("across", "pixels across a panel", "longer side of its box, px", (8, 300), log=True),
    Measure("stroke", "width of a mark's thin strokes", "px", (0.3, 30), log=True),
    Measure("panel_ground", "panel against the ground about it", "CIEDE2000", (0, 80)),
    Measure("mark_panel", "mark against its panel (paints)", "CIEDE2000", (0, 110)),
)


def measure_pictures(pictures: Sequence[NDArray[np.uint8]]) -> dict[str, list[float]]:
    """Values of OF_PICTURES over pictures [H, W, 3] of at least 64 px a side: one a picture, of colours one a block."""
    found: dict[str, list[float]] = {measure.key: [] for measure in OF_PICTURES}
    for picture in pictures:
        _add_colours(found, picture)
        luma = (picture.astype(np.float32) / 255 @ np.array(LUMA)).astype(np.float32)
        squares = _squares(luma)
        found["sharpness"].append(estimate_blur_px(squares))
        found["noise"].append(255 * estimate_noise(squares))
        light = linear_from_srgb(picture.astype(np.float32) / 255).mean(axis=2) + 0.002
        blocks = _averaged(light, 4)
        wide = _averaged(blocks, 4)
        mean = float(light.mean())
        fine = light[: blocks.shape[0] * 4, : blocks.shape[1] * 4] - blocks.repeat(4, 0).repeat(4, 1)
        coarse = blocks[: wide.shape[0] * 4, : wide.shape[1] * 4] - wide.repeat(4, 0).repeat(4, 1)
        found["fine_contrast"].append(float(fine.std()) / mean)
        found["coarse_contrast"].append(float(coarse.std()) / mean)
    return found


def _add_colours(found: dict[str, list[float]], picture: NDArray[np.uint8]) -> None:
    linear = linear_from_srgb(picture.astype(np.float32) / 255)
    lab = lab_from_linear(np.stack([_averaged(linear[..., c], _BLOCK) for c in range(3)], axis=-1))
    for i, key in enumerate(("lightness", "green_red", "blue_yellow")):
        found[key] += [float(v) for v in lab[..., i].ravel()]


def _squares(luma: NDArray[np.float32]) -> NDArray[np.float32]:
    rows, columns = (side // _SQUARE for side in luma.shape)
    whole = luma[: rows * _SQUARE, : columns * _SQUARE].reshape(rows, _SQUARE, columns, _SQUARE)
    squares = whole.transpose(0, 2, 1, 3).reshape(-1, _SQUARE, _SQUARE)
    # A square of one tone (an empty rim, a blown roof) has no spectrum.
    alive = squares.std(axis=(1, 2)) > 0.002
    return squares[alive] if alive.any() else squares


def _averaged(values: NDArray[np.float32], size: int) -> NDArray[np.float32]:
    h, w = (side // size for side in values.shape)
    return values[: h * size, : w * size].reshape(h, size, w, size).mean(axis=(1, 3))


def contrast_with_surroundings(
    picture: NDArray[np.uint8], own: NDArray[np.bool_], free: NDArray[np.bool_]
) -> float | None:
    """CIEDE2000 between the median colours of a thing's pixels ``own`` [H, W] and the ``free`` ones in a ring about it.

    The ring is a third of the thing's box wide, at least 4 px; None where it has fewer than 20 free pixels.
    """
    ys, xs = np.nonzero(own)
    if len(ys) < 20:
        return None
    margin = max(4, round((ys.max() - ys.min() + xs.max() - xs.min()) / 6))
    window = (
        slice(max(0, ys.min() - margin), ys.max() + margin + 1),
        slice(max(0, xs.min() - margin), xs.max() + margin + 1),
    )
    ring = picture[window][free[window]]
    if len(ring) < 20:
        return None
    labs = [lab_from_linear(linear_from_srgb(np.median(pixels, axis=0) / 255)) for pixels in (picture[own], ring)]
    return float(ciede2000(labs[0], labs[1]))


def differences(drawn: Mapping[str, Sequence[float]], real: Mapping[str, Sequence[float]]) -> list[str]:
    """Sentences for the measures whose middle on photographs lies outside the inner four fifths of the drawn ones."""
    said = []
    for measure in OF_PICTURES:
        if not drawn.get(measure.key) or not real.get(measure.key):
            continue
        low, high = np.quantile(drawn[measure.key], [0.1, 0.9])
        middle = float(np.median(real[measure.key]))
        if not low <= middle <= high:
            said.append(
                f"{measure.name.capitalize()}: the photographs' median of {middle:.3g} lies outside the {low:.3g} to {high:.3g}"
                f" that four in five drawn values span ({measure.unit})."
            )
    return said
