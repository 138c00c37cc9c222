"""One whole frame: drawn in strips, so that memory stays small, with the truth of what is in it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import torch

from mission.mission_file import Mission
from synth.capture import CaptureSpec
from synth.compose import GroundCanvas, blend, photo_canvas, radiance
from synth.daylight import shadow_px_per_m
from synth.flight import FramePlan, GroundPatch, RunPlan, ground_middle
from synth.ground import GroundLayer, GroundSpec
from synth.ground_view import SeenGround
from synth.outlines import outline_atlas
from synth.photo_blend import REACH_PX
from synth.photo_ground import GroundBank, PhotoGroundSpec, PhotoLayer
from synth.projection import Views, frame_views
from synth.raster import LAYERS, Atlases, draw
from synth.scene import Array, Layout
from synth.sensor import develop, margin_px
from synth.sketch import sketch
from synth.tone import encode
from synth.truth import TargetTruth, clipped, target_truth

STRIP_PX = 256
_BLOCK_PX = 96
_CPU = torch.device("cpu")


@dataclass(frozen=True)
class FramePicture:
    """``image`` uint8 [3, H, W] before JPEG; truth of the targets in it; ``visible`` [N], ``area_px2`` [N] inside the frame,
    ``rings`` [N] polygons clipped to the frame."""

    image: torch.Tensor
    truth: TargetTruth
    visible: Array
    area_px2: Array
    rings: tuple[tuple[Array, ...], ...]


def draw_frame(run: RunPlan, frame: FramePlan, mission: Mission, bank: GroundBank | None) -> FramePicture:
    """Draw one frame of a run on the CPU."""
    views = frame_views([frame.true_view])
    outlines = outline_atlas(mission.panels.vocabulary)
    atlases = Atlases(outlines, _CPU)
    height, width = views.size_px
    image = torch.empty((3, height, width), dtype=torch.uint8)
    margin = margin_px(frame.capture)
    if isinstance(run.ground.spec, PhotoGroundSpec):
        margin = max(margin, REACH_PX)
    targets = len(run.layout.targets.picture)
    counts = np.zeros(targets, dtype=np.int64)
    for top in range(0, height, STRIP_PX):
        bottom = min(top + STRIP_PX, height)
        first, last = max(top - margin, 0), min(bottom + margin, height)
        strip = _Strip(run, frame, views, bank, first, last)
        canvas = strip.canvas()
        shifted = replace(views, corner_px=np.array([[0.0, float(first)]]), size_px=(last - first, width))
        draw(canvas, sketch(run.layout, shifted, [frame.capture], outlines), atlases, canvas.light, first)
        inside = slice(top - first, bottom - first)
        image[:, top:bottom] = strip.develop(canvas)[0, :, inside]
        owner = canvas.owner[0, inside]
        counts += torch.bincount(owner[owner >= 0], minlength=targets).numpy()
    truth = target_truth(run.layout, views, outlines, with_outlines=True)
    visible = np.clip(counts[truth.row] / np.maximum(truth.area_px2, 1.0), 0.0, 1.0)
    rings = tuple(tuple(c for r in rings if len(c := clipped(r, width, height)) >= 3) for rings in truth.outline_px)
    return FramePicture(image, truth, visible, _areas(run.layout, truth, rings), rings)


class _Strip:
    """Rows [first, last) of a frame: its ground, and how it becomes a picture."""

    def __init__(
        self, run: RunPlan, frame: FramePlan, views: Views, bank: GroundBank | None, first: int, last: int
    ) -> None:
        self.frame, self.views, self.bank, self.first, self.last = frame, views, bank, first, last
        self.size_px = views.size_px
        self.patch: GroundPatch = run.ground
        self.photographs: PhotoLayer | None = None

    def canvas(self) -> GroundCanvas:
        spec = self.patch.spec
        if not isinstance(spec, PhotoGroundSpec):
            return self._painted(spec)
        assert self.bank is not None
        layer = self.bank.paint([spec], _CPU, self._window())
        if self.frame.flipped:
            layer = replace(layer, linear=layer.linear.flip(2, 3), shade=layer.shade.flip(2, 3))
        self.photographs = layer
        return photo_canvas(layer)

    def _painted(self, spec: GroundSpec) -> GroundCanvas:
        """Procedural ground as the frame's view sees it."""
        c, patch = self.frame.capture, self.patch
        shadow = shadow_px_per_m(c.sun_elevation_deg, c.sun_azimuth_deg, spec.gsd_m, patch.heading_deg)
        size = (self.last - self.first, self.size_px[1])
        layers, light = torch.empty((1, LAYERS, *size)), torch.empty((1, 1, *size))
        layers[:, 4], layers[:, 5] = 1, 0
        out = GroundLayer(layers[:, :3], layers[:, 3:4], light)
        seen = SeenGround(spec, patch.size_px, shadow, patch.heading_deg, patch.corner_enu_m)
        seen.paint(self.views, (self.first, self.last), out)
        return GroundCanvas(layers, light[:, 0])

    def _window(self) -> tuple[int, int, int, int]:
        """The strip's place in the run's photographs: the frame's middle tells where, a frame flown back is turned round."""
        height, width = self.size_px
        x, y = self.patch.pixel(*ground_middle(self.frame.true_view))
        left, top = round(x - width / 2), round(y - height / 2)
        row = height - self.last if self.frame.flipped else self.first
        return (top + row, left, self.last - self.first, width)

    def develop(self, canvas: GroundCanvas) -> torch.Tensor:
        capture: CaptureSpec = self.frame.capture
        if self.photographs is not None:
            # Each strip has its own noise; it lies on drawn things alone.
            return _blended(canvas, self.photographs, replace(capture, seed=capture.seed ^ self.first))
        return develop(
            radiance(canvas.layers, [capture]), [capture], first_row=self.first, frame_size_px=self.size_px, jpeg=False
        )


def _blended(canvas: GroundCanvas, layer: PhotoLayer, capture: CaptureSpec) -> torch.Tensor:
    """A strip of photographs with things laid in; columns where nothing was drawn are the photographs' own pixels."""
    layers = canvas.layers[0]
    width = layers.shape[2]
    picture = encode(layer.linear, [replace(capture, tone="srgb")]).add_(0.5).clamp_(0, 255).to(torch.uint8)
    changed = (layers[5] > 0) | (layers[3] != 1) | (layers[4] != 1)
    blocks = torch.zeros(-(-width // _BLOCK_PX) + 2, dtype=torch.bool)
    blocks[torch.nonzero(changed.any(dim=0))[:, 0] // _BLOCK_PX + 1] = True
    # What blurs reaches into the neighbouring blocks.
    reached = torch.nonzero(blocks[1:-1] | blocks[:-2] | blocks[2:])[:, 0].tolist()
    for first, last in _runs_of(reached):
        x0, x1 = first * _BLOCK_PX, min((last + 1) * _BLOCK_PX, width)
        part = GroundCanvas(canvas.layers[..., x0:x1].contiguous(), canvas.light[..., x0:x1])
        piece = PhotoLayer(layer.linear[..., x0:x1].contiguous(), layer.shade[..., x0:x1].contiguous(), layer.looks)
        seen = blend(part, piece, [replace(capture, seed=capture.seed ^ (first << 20))], jpeg=False)
        picture[..., x0:x1] = seen
    return picture


def _runs_of(numbers: list[int]) -> list[tuple[int, int]]:
    """First and last of each run of consecutive numbers."""
    runs: list[tuple[int, int]] = []
    for n in numbers:
        if runs and runs[-1][1] == n - 1:
            runs[-1] = (runs[-1][0], n)
        else:
            runs.append((n, n))
    return runs


def polygon_area(polygon: Array) -> float:
    """Area of a simple polygon [V, 2], whichever way it turns."""
    x, y = polygon[:, 0], polygon[:, 1]
    return 0.5 * abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)))


def _areas(layout: Layout, truth: TargetTruth, rings: tuple[tuple[Array, ...], ...]) -> Array:
    """Area of each target inside the frame, whatever covers it: polygons exactly, bodies by the share of their rings."""
    areas = []
    for k, row in enumerate(truth.row):
        inside = sum(polygon_area(r) for r in rings[k])
        if layout.targets.category[row] == 0:
            areas.append(inside)
        else:
            whole = sum(polygon_area(r) for r in truth.outline_px[k])
            areas.append(truth.area_px2[k] * inside / max(whole, 1e-9))
    return np.array(areas)
