"""Draws a GroundSpec: main material, neighbours with natural borders, made things, trees, colours."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from functools import lru_cache
from itertools import accumulate

import numpy as np

from mission.recipe_light import GroundSettings
from synth.chance import Chance
from synth.daylight import shadow_px_per_m
from synth.ground_kinds import EARTHS, GRASSES, KINDS, MADE, NEIGHBOURS, Code
from synth.ground_spec import GroundSpec, Layer, Mask, Waves
from synth.ground_tiles import TILE_PX, VARIANTS
from synth.tone import linear_from_srgb

Rgb = tuple[float, float, float]
_ANY_SEED = 1000003
# Deviations of the logarithm of red, green and blue between a kind's two colours, beyond what its palette says.
_HUES, _HUES_OF_PLANTS = (0.05, 0.02, 0.07), (0.08, 0.03, 0.2)
# Along which grass goes from lush to straw: mostly along red.
_STRAW = (1.0, 0.2, 0.3)


def sample_ground(
    source: np.random.Generator | Chance,
    settings: GroundSettings,
    gsd_m: float,
    extent_px: tuple[int, int] = (320, 320),
) -> GroundSpec:
    """Draw one ground for pictures of ``extent_px`` (height, width) at ``gsd_m`` metres a pixel."""
    from synth.ground_details import clumps_of, scattered
    from synth.ground_structures import LARGE_M, made_things, standing_things, waves_of

    rng = Chance.of(source)
    draw = LayerDraw(rng, settings, gsd_m, extent_px)
    main = _pick(rng, settings.kinds)
    layers = [draw.layer(main, Mask())]
    low, high = settings.extra_kinds
    count = rng.integers(low, high + 1) + (2 if draw.width_m > LARGE_M else 0)
    for _ in range(count):
        layers.append(draw.patch(rng.choice(NEIGHBOURS[main])))
    layers += scattered(draw, main)
    waves: Waves | None = waves_of(draw, main)
    large = draw.width_m > LARGE_M
    # A picture of many metres meets what several small ones would.
    if rng.random() < (1 - (1 - settings.structures) ** 3 if large else settings.structures):
        layers += made_things(draw, main, first=len(layers))
    layers += standing_things(draw, main, layers)
    return GroundSpec(
        gsd_m=gsd_m,
        layers=tuple(layers),
        seed=rng.integers(_ANY_SEED),
        blotch=rng.uniform(*settings.blotch),
        blotch_scale_m=math.exp(rng.uniform(math.log(1.5), math.log(12))),
        **clumps_of(draw, main),
        waves=waves,
        shade_density=rng.uniform(0.8, 0.98),
        shadow_px_per_m=shadow_px_per_m(rng.uniform(25, 65), rng.uniform(0, 360), gsd_m),
    )


class LayerDraw:
    """Draws layers for one ground; all lengths in metres of the picture's extent."""

    def __init__(
        self,
        source: np.random.Generator | Chance,
        settings: GroundSettings,
        gsd_m: float,
        extent_px: tuple[int, int],
    ) -> None:
        self.rng = rng = Chance.of(source)
        self.settings = settings
        self.gsd_m = gsd_m
        self.height_m, self.width_m = extent_px[0] * gsd_m, extent_px[1] * gsd_m
        # Neighbouring things share the tint of one place (logarithms of factors).
        self.tint = [rng.normal(0, 0.03 * settings.colour_spread) for _ in range(3)]

    def layer(self, kind: str, mask: Mask, **changes: object) -> Layer:
        """A layer of a kind with colours, tile and texture drawn; ``changes`` override fields."""
        known, rng = KINDS[kind], self.rng
        colour, other = self.colours(kind)
        contrast = rng.uniform(*self.settings.contrast)
        fields: dict[str, object] = {
            "kind": kind,
            "colour": colour,
            "other": other,
            "mask": mask,
            "variant": rng.integers(VARIANTS),
            "turn": bool(rng.integers(2)),
            "offset_px": (rng.integers(TILE_PX), rng.integers(TILE_PX)),
            "tone": known.tone * contrast,
            # What is faint in colour is low too: deep folds of one colour are modelling clay.
            "relief": known.relief * rng.uniform(0.2, 1.0) * min(1.0, 0.4 + 0.6 * contrast),
            "mix_shift": rng.normal(0, 0.2),
            "mix_blotch": known.mix_blotch * rng.uniform(0.3, 1.5),
            "soft_m": known.soft_m * rng.uniform(0.5, 2),
            "ragged_m": known.ragged_m * rng.uniform(0.3, 1.5),
        }
        fields.update(changes)
        return Layer(**fields)  # type: ignore[arg-type]

    def patch(self, kind: str, **changes: object) -> Layer:
        """A layer with a natural, wandering border somewhere."""
        rng = self.rng
        scale_m = math.exp(rng.uniform(math.log(0.8), math.log(25)))
        mask = Mask(
            "patch",
            level=rng.normal(0.4, 0.7),
            bend_m=0.16 * scale_m,
            bend_scale_m=scale_m,
            fray_m=rng.uniform(0.01, 0.05) * scale_m,
            fray_scale_m=rng.uniform(0.12, 0.3) * scale_m,
            seed=self.seed(),
        )
        known = KINDS[kind]
        # Large patches fade over more ground; some are blurred altogether, a few end abruptly.
        soft_m = known.soft_m * scale_m**0.5 * math.exp(rng.normal(0, 0.6))
        ragged_m = soft_m * known.ragged_m / known.soft_m * rng.uniform(0.4, 1.6)
        return self.layer(kind, mask, **{"soft_m": soft_m, "ragged_m": ragged_m, **changes})

    def colours(self, kind: str) -> tuple[Rgb, Rgb]:
        """Two linear colours of a kind: a pair of its palette, or between two of them, moved as a whole."""
        rng, spread = self.rng, self.settings.colour_spread
        palette = KINDS[kind].palette
        a, b = rng.choice(palette), rng.choice(palette)
        share = rng.random()
        grey = rng.normal(0, 0.22 * spread)
        tint = [grey + rng.normal(0, 0.03 * spread) + near for near in self.tint]
        if kind in GRASSES:
            straw = rng.normal(0, 0.09 * spread)
            tint = [t + straw * step for t, step in zip(tint, _STRAW, strict=True)]
        # The two also differ in hue: dry and lush, moss and stone, wet and dry earth; in plants most of all.
        hues = _HUES if kind in EARTHS or kind in MADE else _HUES_OF_PLANTS
        lean = [t + rng.normal(0, spread) * hue for t, hue in zip(tint, hues, strict=True)]
        return _between(a[0], b[0], share, tint), _between(a[1], b[1], share, lean)

    def place(self) -> tuple[float, float]:
        """A point (x, y) of the picture [m]."""
        return (self.rng.uniform(0, self.width_m), self.rng.uniform(0, self.height_m))

    def angle(self) -> float:
        """Any direction [rad]."""
        return self.rng.uniform(0, math.pi)

    def seed(self) -> int:
        """Seed of a random field."""
        return self.rng.integers(_ANY_SEED)


@lru_cache(maxsize=1024)
def _linear(code: Code) -> Rgb:
    r, g, b = linear_from_srgb(np.array(code) / 255).tolist()
    return (r, g, b)


def _between(code: Code, other: Code, share: float, change: Sequence[float]) -> Rgb:
    """A colour between two, ``share`` of the first, times exp(``change``)."""
    (r, g, b), (r2, g2, b2), (by_r, by_g, by_b) = _linear(code), _linear(other), change
    rest = 1 - share
    return (
        _reflectance((share * r + rest * r2) * math.exp(by_r)),
        _reflectance((share * g + rest * g2) * math.exp(by_g)),
        _reflectance((share * b + rest * b2) * math.exp(by_b)),
    )


def _reflectance(value: float) -> float:
    """What real ground reaches."""
    return 0.005 if value < 0.005 else 0.92 if value > 0.92 else value


def _pick(rng: Chance, weights: dict[str, float]) -> str:
    names, ends = _ends(tuple(weights.items()))
    return names[bisect_right(ends, rng.random())]


@lru_cache(maxsize=64)
def _ends(weights: tuple[tuple[str, float], ...]) -> tuple[tuple[str, ...], list[float]]:
    """Names in their order, and where the share of each ends between 0 and 1."""
    there = sorted((name, weight) for name, weight in weights if weight > 0)
    whole = sum(weight for _, weight in there)
    ends = [end / whole for end in accumulate(weight for _, weight in there)]
    # However sums are rounded, nothing lies beyond the last.
    return tuple(name for name, _ in there), [*ends[:-1], math.inf]
