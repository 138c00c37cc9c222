"""One piece of ground, sampled first and frozen: which materials lie where, in which colours, and what stands on it.

A ground is a stack of layers. Each covers what its mask says, over the layers before it; masks are signed distances
(positive inside) in the plane of the frame, x right and y down, metres times 1 / gsd_m = pixels, origin at the frame's
top-left edge. All of it is endless: a window of it can be painted anywhere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

FORMS = ("everywhere", "patch", "band", "tracks", "boxes", "crowns", "sticks", "half")


@dataclass(frozen=True)
class Mask:
    """Where a layer lies. Lengths in metres, angle in radians (from x towards y).

    everywhere  all of it
    patch       where a random field of wavelength ``bend_scale_m`` exceeds ``level``
    band        a strip about the line through ``at_m`` along ``angle``, half width ``size_m[0]``
    tracks      two such strips, ``size_m[1]`` apart
    boxes       rectangles of half sizes ``size_m``, repeated every ``period_m`` (0: one only)
    crowns      rounded bodies of radius ``size_m`` (least, most), one in each jittered cell of ``period_m[0]``, if at all, by
                chance ``level``
    sticks      straight logs of half length ``size_m[0]`` and radius ``size_m[1]``, in cells as above
    half        all on one side of the line
    ``bend_m`` moves the border by a random field of wavelength ``bend_scale_m``; ``seed`` picks its piece of it. ``fray_m`` and
    ``fray_scale_m`` do so once more, finer.
    """

    form: str = "everywhere"
    at_m: tuple[float, float] = (0.0, 0.0)
    angle: float = 0.0
    size_m: tuple[float, float] = (1.0, 1.0)
    period_m: tuple[float, float] = (0.0, 0.0)
    level: float = 0.0
    bend_m: float = 0.0
    bend_scale_m: float = 4.0
    fray_m: float = 0.0
    fray_scale_m: float = 0.5
    seed: int = 0

    @property
    def folds(self) -> bool:
        """Whether the field is a signed distance to a line, folded into a strip only at full resolution."""
        return self.form in ("band", "tracks")


@dataclass(frozen=True)
class Joints:
    """Lines of a paved surface: a grid turned by ``angle``, spaced ``period_m``, ``width_m`` wide, darker by ``depth``."""

    angle: float
    period_m: tuple[float, float]
    width_m: float
    depth: float


@dataclass(frozen=True)
class Layer:
    """One material within its mask. ``colour`` and ``other`` are linear reflectance; ``turn`` and ``offset_px`` pick the
    piece of the tile (0..7; any pixels)."""

    kind: str
    colour: tuple[float, float, float]
    other: tuple[float, float, float]
    mask: Mask = Mask()
    variant: int = 0
    turn: bool = False
    offset_px: tuple[int, int] = (0, 0)
    tone: float = 1.0
    relief: float = 1.0
    mix_shift: float = 0.0
    mix_blotch: float = 0.2
    soft_m: float = 0.05
    ragged_m: float = 0.0
    opacity: float = 1.0
    height_m: float = 0.0
    """Above 0 it stands up: it throws a shadow and is drawn over what lies lower."""
    within: int | None = None
    """Index of an earlier layer whose cover limits this one."""
    drawn: bool = True
    """False: only there to limit others or to throw shade from outside the picture."""
    joints: Joints | None = None

    @property
    def can_hide(self) -> bool:
        """Whether nothing below shows where it lies, in light or colour."""
        return self.opacity == 1 and self.within is None and self.drawn and self.height_m <= 0

    @property
    def covers_all(self) -> bool:
        """Whether it hides everything below it everywhere."""
        return self.mask.form == "everywhere" and self.opacity == 1 and self.within is None and self.drawn


@dataclass(frozen=True)
class Waves:
    """Periodic brightness of the first layer: stripes of mowing, furrows. ``sharp`` 0 sine .. 1 square."""

    angle: float
    period_m: float
    depth: float
    sharp: float


@dataclass(frozen=True)
class GroundSpec:
    """A ground: layers from below to above, slow changes over metres, and the light it assumes if none is given."""

    gsd_m: float
    layers: tuple[Layer, ...]
    seed: int = 0
    blotch: float = 0.15
    blotch_scale_m: float = 6.0
    clumps: float = 0.0
    """Relative brightness of spots of decimetres to metres against the ground between them (below 0: dark spots)."""
    clump_scale_m: float = 0.4
    clump_level: float = 0.0
    """The higher, the fewer and smaller the spots."""
    clump_lean: float = 0.0
    """How far they lean to a layer's other colour, as a multiple of its drift over metres."""
    waves: Waves | None = None
    shade_density: float = 0.92
    shadow_px_per_m: tuple[float, float] = (30.0, 20.0)

    @property
    def main_kind(self) -> str:
        """Kind of the lowest layer."""
        return self.layers[0].kind


def half_plane_normal(angle: float) -> tuple[float, float]:
    """Unit vector across the line of an angle."""
    return (-math.sin(angle), math.cos(angle))
