"""Signed distances from pixels to tapered capsules and to convex polygons: what along a row is linear is prepared on the host."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch

from synth.pixels import Pixels, Turns
from synth.spans import Array, Spans

_NO_EDGE = -1e5


@dataclass(frozen=True)
class Capsules:
    """Tapered capsules in pixels of their pictures: discs of radii ``r0``, ``r1`` [T] a ``length`` apart along ``axis`` [T, 2].

    ``slope`` [T] is the sine of the flank's taper.
    """

    start: Array
    axis: Array
    length: Array
    r0: Array
    r1: Array

    @classmethod
    def of(cls, ends: Array, radii: Array) -> Capsules:
        """From ends [T, 2, 2] and radii [T, 2]."""
        start, other = ends[:, 0], ends[:, 1]
        r0, r1 = radii[:, 0], radii[:, 1]
        axis = other - start
        length = np.linalg.norm(axis, axis=1)
        # Where one disc swallows the other the capsule is the larger disc.
        swallowed = length <= np.abs(r0 - r1) * 1.001 + 1e-4
        start = np.where((swallowed & (r1 > r0))[:, None], other, start)
        large = np.maximum(r0, r1)
        r0, r1 = np.where(swallowed, large, r0), np.where(swallowed, large, r1)
        length = np.where(swallowed, 1e-4, length)
        axis = np.where(swallowed[:, None], [1.0, 0.0], axis / length[:, None])
        return cls(start, axis, length, r0, r1)

    @property
    def slope(self) -> Array:
        """Sine of the flank's taper [T]."""
        return (self.r0 - self.r1) / self.length

    def edges(self) -> Array:
        """Half planes [T, 4, 3] that hold them: both flanks, both ends (as in ``spans``)."""
        slope, (ax, ay) = self.slope, self.axis.T
        level = np.sqrt(np.maximum(1 - slope**2, 0))
        normals = [
            np.stack([slope * ax - level * ay, slope * ay + level * ax], axis=1),
            np.stack([slope * ax + level * ay, slope * ay - level * ax], axis=1),
            -self.axis,
            self.axis,
        ]
        far = [self.r0, self.r0, self.r0, self.r1 + self.length]
        return np.stack(
            [
                np.concatenate([n, -((n * self.start).sum(axis=1) + r)[:, None]], axis=1)
                for n, r in zip(normals, far, strict=True)
            ],
            axis=1,
        )

    def numbers(self) -> dict[str, Array]:
        """Columns of the things for ``capsule_distance``."""
        slope = self.slope
        tilt = slope / np.sqrt(np.maximum(1 - slope**2, 1e-4))
        return {
            "ax": self.axis[:, 0], "ay": self.axis[:, 1], "tilt": -tilt, "length": self.length, "radius": self.r0,
            "slope": -slope,
        }  # fmt: skip

    def of_runs(self, turns: Turns, runs: Spans) -> dict[str, Array]:
        """Columns of the runs for ``capsule_distance``: along and across the axis at their thing's left."""
        dx = (turns.rectangle[:, 0] - self.start[:, 0])[runs.thing]
        dy = runs.y + 0.5 - self.start[runs.thing, 1]
        ax, ay = self.axis[runs.thing].T
        return {"along": dx * ax + dy * ay, "across": dy * ax - dx * ay}


def capsule_distance(pixels: Pixels) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor, torch.Tensor]:
    """Signed distance [N] to tapered capsules; for each pixel how far it lies from the nearest disc's middle along and across
    the axis, and that disc's radius [px]."""
    x = pixels.x
    along = pixels["along"].addcmul_(x, pixels["ax"])
    across = pixels["across"].addcmul_(x, pixels["ay"], value=-1)
    # Move along the axis to where the flank is nearest, then measure to the disc there.
    at = across.abs().mul_(pixels["tilt"]).add_(along).clamp_(min=0)
    at = torch.minimum(at, pixels["length"], out=at)
    radius = pixels["radius"].addcmul_(at, pixels["slope"])
    off = along.sub_(at)
    distance = (off * off).addcmul_(across, across).sqrt_().sub_(radius)
    return distance, off, across, radius


def convex_columns(
    turns: Turns, runs: Spans, edges: Array, rounding_px: Array
) -> tuple[dict[str, Array], dict[str, Array]]:
    """Columns of things and of runs for ``convex_distance``: convex polygons [T, V, 3] given as half planes, corners rounded."""
    round_px = np.maximum(rounding_px, 0.01)
    # Edges that there are come first, so that few polygons need more than the first few.
    there = edges[..., 2] > _NO_EDGE
    edges = np.take_along_axis(edges, np.argsort(~there, axis=1, kind="stable")[..., None], axis=1)
    # What has no edge at all covers nothing.
    edges[~there.any(axis=1), 0] = (0.0, 0.0, -10 * _NO_EDGE)
    left, y = turns.rectangle[runs.thing, 0], runs.y + 0.5
    numbers: dict[str, Array] = {"round": round_px}
    of_runs: dict[str, Array] = {}
    for k in range(min(edges.shape[1], int(there.sum(axis=1).max(initial=1)))):
        a, b, c = edges[:, k].T
        numbers[f"edge{k}"] = a
        of_runs[f"edge{k} at left"] = a[runs.thing] * left + b[runs.thing] * y + (c + round_px)[runs.thing]
    return numbers, of_runs


def convex_distance(pixels: Pixels) -> torch.Tensor:
    """Signed distance [N] to convex polygons with rounded corners."""
    x = pixels.x
    inner = outer = torch.zeros(0)
    k = 0
    while (name := f"edge{k}") in pixels.table.numbers:
        d = pixels[f"{name} at left"].addcmul_(x, pixels[name])
        inner = d.clone() if k == 0 else torch.maximum(inner, d, out=inner)
        d = d.clamp_(min=0)
        outer = d.square_() if k == 0 else outer.addcmul_(d, d)
        k += 1
    return outer.sqrt_().sub_(pixels["round"]).add_(inner.clamp_(max=0))
