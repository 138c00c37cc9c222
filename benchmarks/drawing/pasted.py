"""The baseline: a panel pasted on a photograph, with albumentations for blur, noise, light and JPEG, as a team would write it."""

from __future__ import annotations

import albumentations as A
import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

_LETTERS = "ABFJKPRT4"


def photograph_like(rng: np.random.Generator, height: int = 1500, width: int = 2000) -> NDArray[np.uint8]:
    """A picture uint8 [height, width, 3] with the spectrum of a photograph (amplitude ~ 1 / f) in the colours of grass."""
    f = np.hypot(np.fft.fftfreq(height)[:, None], np.fft.rfftfreq(width)[None])
    f[0, 0] = 1.0
    field = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((height, width))) / f, s=(height, width))
    field = (field - field.mean()) / field.std()
    return np.clip(field[..., None] * [22, 25, 15] + [95, 115, 60], 0, 255).astype(np.uint8)


class PastedPanels:
    """Chips uint8 [S, S, 3] with one turned panel and its box, one call a chip."""

    def __init__(self, seed: int, chip_px: int = 320) -> None:
        cv2.setNumThreads(1)
        self.rng = np.random.default_rng(seed)
        self.chip_px = chip_px
        self.ground = photograph_like(self.rng)
        self.looks = A.Compose(
            [
                A.RandomBrightnessContrast(0.3, 0.3, p=1.0),
                A.HueSaturationValue(6, 20, 0, p=0.5),
                A.RandomShadow(p=0.3),
                A.OneOf([A.GaussianBlur((3, 5)), A.MotionBlur((3, 5))], p=1.0),
                A.GaussNoise(std_range=(0.01, 0.05), p=1.0),
                A.ImageCompression(quality_range=(70, 98), p=1.0),
            ],
            seed=seed,
        )

    def chip(self) -> tuple[NDArray[np.uint8], list[float]]:
        """One chip and its panel's box (x0, y0, x1, y1)."""
        rng, size = self.rng, self.chip_px
        y, x = (int(rng.integers(0, side - size)) for side in self.ground.shape[:2])
        picture = Image.fromarray(self.ground[y : y + size, x : x + size])
        panel = self._panel(int(rng.integers(28, 72)))
        left, top = (int(rng.integers(0, size - side)) for side in panel.size)
        picture.paste(panel, (left, top), panel)
        box = [left, top, left + panel.width, top + panel.height]
        # Nothing here moves pixels, so the box stays as it is.
        return self.looks(image=np.asarray(picture))["image"], [float(v) for v in box]

    def _panel(self, side: int) -> Image.Image:
        paint, ink = (tuple(int(v) for v in self.rng.integers(0, 256, 3)) for _ in range(2))
        panel = Image.new("RGBA", (side, side))
        draw = ImageDraw.Draw(panel)
        shapes = (draw.rectangle, draw.ellipse)
        shapes[int(self.rng.integers(2))]((0, 0, side - 1, side - 1), fill=(*paint, 255))
        letter = _LETTERS[int(self.rng.integers(len(_LETTERS)))]
        draw.text(
            (side / 2, side / 2), letter, fill=(*ink, 255), anchor="mm", font=ImageFont.load_default(size=0.6 * side)
        )
        return panel.rotate(float(self.rng.uniform(0, 360)), Image.Resampling.BILINEAR, expand=True)
