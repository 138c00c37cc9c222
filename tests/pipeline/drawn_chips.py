"""A small private source of chips for the tests of training: flat polygons with a letter on noisy ground (Pillow).

It has the interface of ``synth.chips.ChipSource`` and none of its realism; nothing is judged on it but the code.
"""

from __future__ import annotations

import numpy as np
import torch
from PIL import Image, ImageDraw, ImageFilter, ImageFont

from mission.vocabulary import outline
from synth.chips import ChipBatch

PAINT = {
    "white": (235, 235, 230), "black": (35, 35, 38), "grey": (128, 128, 128), "red": (190, 35, 40),
    "orange": (235, 130, 30), "yellow": (240, 215, 50), "green": (40, 130, 60), "blue": (40, 70, 170),
    "purple": (110, 50, 140), "pink": (240, 150, 180), "brown": (105, 65, 40),
}  # fmt: skip


class DrawnChips:
    """``.batch(n)`` draws n chips with at most one panel (the first of each ten is empty)."""

    def __init__(self, vocabulary, *, seed: int, chip_px: int = 128, focus: str | None = None) -> None:
        self.vocabulary, self.chip_px, self.focus = vocabulary, chip_px, focus
        self.rng = np.random.default_rng(seed)

    def batch(self, n: int) -> ChipBatch:
        images, rows = [], []
        for number in range(n):
            image = self._ground()
            if self.focus == "panel" or number % 10:
                image, row = self._panel(image)
                rows.append((number, *row))
            images.append(np.asarray(image.filter(ImageFilter.GaussianBlur(0.6)), np.float32))
        pixels = np.stack(images) + self.rng.normal(0, 4, (n, self.chip_px, self.chip_px, 3))
        image = torch.from_numpy(pixels.clip(0, 255).astype(np.uint8)).permute(0, 3, 1, 2).contiguous()
        return ChipBatch(
            image=image,
            chip=torch.tensor([r[0] for r in rows], dtype=torch.int64),
            category=torch.zeros(len(rows), dtype=torch.int64),
            box_px=torch.tensor([r[1] for r in rows], dtype=torch.float32).reshape(-1, 4),
            visible=torch.ones(len(rows)),
            attributes=torch.tensor([r[2] for r in rows], dtype=torch.int64).reshape(-1, 4),
            mark_turn_deg=torch.tensor([r[3] for r in rows], dtype=torch.float32),
        )

    def _ground(self) -> Image.Image:
        coarse = self.rng.normal((95, 115, 70), 22, (self.chip_px // 8, self.chip_px // 8, 3)).clip(0, 255)
        return Image.fromarray(coarse.astype(np.uint8)).resize((self.chip_px, self.chip_px), Image.Resampling.BICUBIC)

    def _panel(self, image: Image.Image):
        rng, words = self.rng, self.vocabulary
        shape, mark = rng.integers(len(words.shapes)), rng.integers(len(words.marks))
        paint, ink = rng.choice(len(words.colours), 2, replace=False)
        size = rng.uniform(0.28, 0.48) * min(self.chip_px, 128)
        turn = rng.uniform(0, 2 * np.pi)
        spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        corners = outline(words.shapes[shape]) @ spin.T * [1, -1] * size
        reach = 4 if self.focus == "panel" else self.chip_px / 2 - size * 0.6
        corners = corners + self.chip_px / 2 + rng.uniform(-reach, reach, 2)
        centre = corners.mean(0)
        large = image.resize((self.chip_px * 3, self.chip_px * 3), Image.Resampling.BILINEAR)
        ImageDraw.Draw(large).polygon([tuple(p) for p in corners * 3], fill=PAINT[words.colours[paint]])
        turn_deg = float(rng.uniform(0, 360))
        side = int(size * 3)
        stamp = Image.new("L", (side, side))
        face = ImageFont.load_default(size * 3 * 0.55)
        ImageDraw.Draw(stamp).text((side / 2, side / 2), words.marks[mark], 255, face, anchor="mm", stroke_width=2)
        # Pillow turns counter-clockwise; mark_turn_deg is clockwise as seen in the image.
        stamp = stamp.rotate(-turn_deg, Image.Resampling.BICUBIC)
        corner = tuple(np.round(centre * 3 - side / 2).astype(int))
        large.paste(Image.new("RGB", stamp.size, PAINT[words.colours[ink]]), corner, stamp)
        box = (*corners.min(0), *corners.max(0))
        return large.resize(image.size, Image.Resampling.BOX), (box, (shape, paint, mark, ink), turn_deg)


def boxes_in_chips(rows, category: int = 0, visible: float = 1.0) -> ChipBatch:
    """A batch without pictures: rows of (chip, x0, y0, x1, y1), all of one category."""
    n = len(rows)
    return ChipBatch(
        image=torch.zeros(0, 3, 8, 8, dtype=torch.uint8),
        chip=torch.tensor([int(row[0]) for row in rows], dtype=torch.int64),
        category=torch.full((n,), category, dtype=torch.int64),
        box_px=torch.tensor([list(row[1:]) for row in rows], dtype=torch.float32).reshape(-1, 4),
        visible=torch.full((n,), visible),
        attributes=torch.full((n, 4), -1, dtype=torch.int64),
        mark_turn_deg=torch.full((n,), float("nan")),
    )
