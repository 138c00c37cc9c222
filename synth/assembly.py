"""Things put together from parts, all things of one kind at once: each part is one row of a table for each thing.

Local axes of a thing: x to its right, y ahead, z up, in metres from where it stands. Numbers may be given once or for each
thing [N]; parts are drawn in the order in which they are added, things one after the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from synth.decoy_places import Place
from synth.scene import Array, Blocks, Facets, Index, Layout, Limbs, Plates, column, empty_layout, finish, rows
from synth.solids import axes, face_normal

Number = Array | float | int
# What no paint leaves (common practice, no source).
_REFLECTANCE = (0.004, 0.97)
_UP = np.array([0.0, 0.0, 1.0])


class Assembly:
    """Collects the parts of ``place.count`` things; ``layout`` hands them over."""

    def __init__(self, place: Place, order: float, turn_rad: Array | None = None) -> None:
        self.place, self.count, self.rng = place, place.count, place.rng
        self.turn_rad = place.rng.uniform(0, 2 * np.pi, self.count) if turn_rad is None else turn_rad
        self.right, self.ahead = axes(self.turn_rad)
        self._frame = np.empty((self.count, 3, 3))
        self._frame[:, 0], self._frame[:, 1], self._frame[:, 2] = self.right, self.ahead, _UP
        # Whole things lie over one another, never part by part.
        self._order = order + np.arange(self.count) * (0.4 / max(self.count, 1))
        self._step = 0
        self._tables: dict[type, list[dict[str, Any]]] = {Plates: [], Limbs: [], Facets: [], Blocks: []}

    def each(self, value: Number) -> Array:
        """A number for each thing [N]."""
        return value if isinstance(value, np.ndarray) and value.ndim else np.full(self.count, float(value))

    def some(self, share: Number) -> Array:
        """True for about this share of the things."""
        return self.rng.random(self.count) < share

    def between(self, low: Number, high: Number) -> Array:
        """Evenly drawn numbers."""
        return low + (high - low) * self.rng.random(self.count)

    def one_of(self, colours: Any) -> Array:
        """One of several colours [K, 3] for each thing, a little lighter or darker."""
        table = np.asarray(colours, dtype=float)
        return (table[self.rng.integers(0, len(table), self.count)] * self.between(0.8, 1.2)[:, None]).clip(
            *_REFLECTANCE
        )

    def point(self, at: tuple[Number, Number, Number]) -> Array:
        """World coordinates [N, 3] of a local place."""
        return self.ring([at])[:, 0]

    def ring(self, corners: Sequence[tuple[Number, Number, Number]]) -> Array:
        """World coordinates [N, K, 3] of local places."""
        local = np.empty((3, len(corners), self.count))
        for k, corner in enumerate(corners):
            local[0, k], local[1, k], local[2, k] = corner
        return self.place.at[:, None] + local.T @ self._frame

    def rod(
        self,
        start: tuple[Number, Number, Number],
        end: tuple[Number, Number, Number],
        radius: Number,
        colour: Array,
        *,
        end_radius: Number | None = None,
        grain: Number = 0.06,
        roundness: Number = 1.0,
        casts: Number = 1.0,
        only: Array | None = None,
    ) -> None:
        """A tapered capsule."""
        if only is not None and not only.any():
            return
        ends = self.ring([start, end])
        radii = np.empty((self.count, 2))
        radii[:, 0], radii[:, 1] = radius, radius if end_radius is None else end_radius
        self._add(
            Limbs, only, ends=ends, radii_m=radii, albedo=colour, grain=grain, roundness=roundness, casts=casts
        )  # fmt: skip

    def ball(self, at: tuple[Number, Number, Number], radius: Number, colour: Array, **more: Any) -> None:
        """A sphere."""
        self.rod(at, at, radius, colour, **more)

    def sheet(
        self,
        at: tuple[Number, Number, Number],
        size: tuple[Number, Number],
        colour: Array,
        shape: str | Index = "square",
        *,
        turn: Number = 0.0,
        tilt: Number = 0.0,
        only: Array | None = None,
        thickness: Number = 0.0,
        columns: dict[str, Any] | None = None,
        **more: Any,
    ) -> None:
        """A plate of ``size`` (right, ahead) facing up, turned clockwise by ``turn``; ``tilt`` lifts its far end [rad]."""
        if only is not None and not only.any():
            return
        c, s = np.cos(self.each(turn))[:, None], np.sin(self.each(turn))[:, None]
        along, level = c * self.right - s * self.ahead, s * self.right + c * self.ahead
        rise = self.each(tilt)[:, None]
        up = np.cos(rise) * level + np.sin(rise) * np.array([0.0, 0.0, 1.0])
        index = self.place.outlines.index(shape) if isinstance(shape, str) else shape
        self.plate(
            self.point(at), along * self.each(size[0])[:, None], up * self.each(size[1])[:, None], colour, index,
            only=only, thickness_m=thickness, finish=finish(self.count, **self.place.noise(), **(columns or {})), **more,
        )  # fmt: skip

    def plate(
        self, origin: Array, along: Array, up: Array, colour: Array, shape: Any, only: Array | None = None, **more: Any
    ) -> None:
        """A plate given in the world."""
        self._add(Plates, only, origin=origin, along=along, up=up, albedo=colour, shape=shape, **more)

    def face(
        self,
        corners: Sequence[tuple[Number, Number, Number]],
        colour: Array,
        *,
        only: Array | None = None,
        level: bool = False,
        **more: Any,
    ) -> None:
        """A flat convex face of up to eight corners, counter-clockwise as seen from outside (in any order where ``level``)."""
        if only is not None and not only.any():
            return
        ring = self.ring(corners)
        normal = np.broadcast_to(_UP, (self.count, 3)) if level else face_normal(ring)
        spare = np.repeat(ring[:, -1:], 8 - ring.shape[1], axis=1)
        self._add(Facets, only, corners=np.concatenate([ring, spare], axis=1), normal=normal, albedo=colour, **more)

    def shadow(self, corners: Sequence[tuple[Number, Number, Number]], only: Array | None = None, **more: Any) -> None:
        """The shadow of a convex solid of up to eight corners."""
        if only is not None and not only.any():
            return
        ring = self.ring(corners)
        spare = np.repeat(ring[:, -1:], 8 - ring.shape[1], axis=1)
        self._add(Blocks, only, corners=np.concatenate([ring, spare], axis=1), **more)

    def box(
        self,
        at: tuple[Number, Number, Number],
        size: tuple[Number, Number, Number],
        colour: Array,
        *,
        side: Array | None = None,
        only: Array | None = None,
        gloss: Number = 0.0,
        rounding: Number = 0.01,
        taper: Number = 1.0,
    ) -> None:
        """A box whose bottom's middle is ``at``, its top ``taper`` times as wide, with its shadow."""
        if only is not None and not only.any():
            return
        x, y, z = (self.each(v) for v in at)
        w, d, h = (self.each(v) / (1 if k == 2 else 2) for k, v in enumerate(size))
        signs = ((-1, -1), (1, -1), (1, 1), (-1, 1))
        low = [(x + a * w, y + b * d, z) for a, b in signs]
        high = [(x + a * w * taper, y + b * d * taper, z + h) for a, b in signs]
        dark = colour * 0.88 if side is None else side
        for i in range(4):
            j = (i + 1) % 4
            self.face([low[i], low[j], high[j], high[i]], dark, only=only, rounding_m=0.005)
        self.face(high, colour, only=only, gloss=gloss, rounding_m=rounding)
        self.shadow(low + high, only=only)

    def last_order(self) -> Array:
        """What lies over all parts so far [N]."""
        return self._order + (self._step + 1) * (0.003 / max(self.count, 1))

    def layout(self) -> Layout:
        """All parts."""
        made = {kind: self._table(kind, parts) for kind, parts in self._tables.items()}
        return Layout(made[Plates], made[Limbs], made[Facets], made[Blocks], empty_layout().targets)

    def _add(self, kind: type, only: Array | None, **columns: Any) -> None:
        self._step += 1
        if "albedo" in columns:
            columns["albedo"] = np.minimum(np.maximum(columns["albedo"], _REFLECTANCE[0]), _REFLECTANCE[1])
        if kind is not Blocks:
            columns["order"] = self._order + self._step * (0.003 / max(self.count, 1))
        columns["picture"] = self.place.picture
        self._tables[kind].append(
            {
                name: whole if only is None else whole[only]
                for name, whole in ((name, column(kind, name, self.count, value)) for name, value in columns.items())
            }
        )

    @staticmethod
    def _table(kind: type, parts: list[dict[str, Array]]) -> Any:
        counts = [len(part["picture"]) for part in parts]
        names = dict.fromkeys(name for part in parts for name in part)
        given = {
            name: np.concatenate(
                [part[name] if name in part else column(kind, name, n) for part, n in zip(parts, counts, strict=True)]
            )
            for name in names
        }
        return rows(kind, sum(counts), **given)
