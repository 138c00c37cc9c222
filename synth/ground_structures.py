"""Made things and standing things of a ground: paths, roads, tracks, beds, slabs, roofs, fences, paint, trees, hedges, logs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from synth.ground_kinds import KINDS, NEIGHBOURS
from synth.ground_spec import Joints, Layer, Mask, Waves

if TYPE_CHECKING:
    from synth.ground_draw import LayerDraw

_PAINT = ((0.78, 0.78, 0.76), (0.62, 0.62, 0.60))
_YELLOW = ((0.75, 0.52, 0.08), (0.60, 0.42, 0.07))


def waves_of(draw: LayerDraw, main: str) -> Waves | None:
    """Mowing stripes or furrows of the main ground, if it has any."""
    rng = draw.rng
    if main == "mown_grass" and rng.random() < 0.35:
        return Waves(draw.angle(), rng.uniform(0.8, 4.0), rng.uniform(0.03, 0.14), rng.random())
    if main in ("soil", "mud") and rng.random() < 0.25:
        return Waves(draw.angle(), rng.uniform(0.3, 0.9), rng.uniform(0.06, 0.2), 0.2)
    if main == "dry_grass" and rng.random() < 0.2:
        return Waves(draw.angle(), rng.uniform(0.25, 2.0), rng.uniform(0.04, 0.12), 0.3)
    return None


def made_things(draw: LayerDraw, main: str, first: int) -> list[Layer]:
    """Layers of one or (on large pictures) several made things; ``first`` is the index that the first of them gets."""
    rng = draw.rng
    options = [path, path, road, tracks, tracks, beds, slabs, yard, painted_lines, fence, border, border]
    large = draw.width_m > LARGE_M
    layers: list[Layer] = border(draw, main, first) if large else []
    for _ in range(1 + int(rng.random() < 0.3) + (rng.integers(1, 4) if large else 0)):
        option = options[rng.integers(len(options))]
        layers += option(draw, main, first + len(layers))
    return layers


# Pictures wider than this hold several made things, and more than one field.
LARGE_M = 20.0


def border(draw: LayerDraw, main: str, first: int) -> list[Layer]:
    """Where one field, lawn or yard ends and another begins; a hedge, a ditch or a worn strip along it at times."""
    rng = draw.rng
    at, angle = draw.place(), rng.uniform(0, 2 * math.pi)
    kind = rng.choice([*NEIGHBOURS[main], "mown_grass", "dry_grass", "soil"])
    bend = {
        "bend_m": rng.uniform(0, 0.6) if rng.random() < 0.6 else 0.0,
        "bend_scale_m": rng.uniform(3, 15),
        "seed": draw.seed(),
    }
    layers = [draw.layer(kind, Mask("half", at_m=at, angle=angle, **bend))]
    if rng.random() < 0.4:
        strip = rng.choice(["shrubs", "tree_crowns", "wild_grass", "soil", "dry_grass", "gravel"])
        half = rng.uniform(0.15, 0.8)
        layers.append(draw.layer(strip, Mask("band", at_m=at, angle=angle, size_m=(half, 0), **bend)))
    return layers


def path(draw: LayerDraw, main: str, first: int) -> list[Layer]:
    """A path with a wandering edge."""
    rng = draw.rng
    kind = rng.choice(["gravel", "soil", "asphalt", "concrete", "sand", "mud", "dry_grass"])
    half = rng.uniform(0.25, 1.4)
    mask = Mask(
        "band",
        at_m=draw.place(),
        angle=draw.angle(),
        size_m=(half, 0),
        bend_m=rng.uniform(0.1, 1.5),
        bend_scale_m=rng.uniform(6, 25),
        seed=draw.seed(),
    )
    return [draw.layer(kind, mask, opacity=rng.uniform(0.7, 1.0))]


def road(draw: LayerDraw, main: str, first: int) -> list[Layer]:
    """A straight paved road, kerbs and painted lines at times."""
    rng = draw.rng
    at, angle, half = draw.place(), draw.angle(), rng.uniform(1.2, 3.5)
    kind = rng.choice(["asphalt", "asphalt", "concrete", "gravel"])
    layers = [draw.layer(kind, Mask("band", at_m=at, angle=angle, size_m=(half, 0)))]
    across = (-math.sin(angle), math.cos(angle))
    if rng.random() < 0.5:
        kerb = draw.layer("concrete", Mask("band"))
        for side in (-1, 1):
            shift = side * (half + 0.08)
            place = (at[0] + across[0] * shift, at[1] + across[1] * shift)
            layers.append(_moved(draw, kerb, Mask("band", at_m=place, angle=angle, size_m=(0.08, 0))))
    if kind != "gravel" and rng.random() < 0.6:
        shift = rng.choice([0.0, half - 0.2, 0.15 - half])
        place = (at[0] + across[0] * shift, at[1] + across[1] * shift)
        layers += _line(draw, place, angle, first + len(layers), dashed=bool(rng.random() < 0.5))
    return layers


def _line(draw: LayerDraw, at: tuple[float, float], angle: float, index: int, dashed: bool) -> list[Layer]:
    rng = draw.rng
    colour, other = _PAINT if rng.random() < 0.8 else _YELLOW
    layers = []
    within = None
    if dashed:
        gaps = Mask(
            "boxes",
            at_m=at,
            angle=angle,
            size_m=(rng.uniform(0.5, 1.5), 4.0),
            period_m=(rng.uniform(3, 5), 0.0),
        )
        layers.append(draw.layer("concrete", gaps, drawn=False, soft_m=0.02, ragged_m=0.0))
        within = index
    mask = Mask("band", at_m=at, angle=angle, size_m=(rng.uniform(0.04, 0.09), 0))
    layers.append(
        draw.layer(
            "asphalt", mask, colour=colour, other=other, opacity=rng.uniform(0.55, 0.95), within=within,
            soft_m=0.01, ragged_m=0.02,
        )
    )  # fmt: skip
    return layers


def tracks(draw: LayerDraw, main: str, first: int) -> list[Layer]:
    """Two wheel tracks."""
    rng = draw.rng
    kind = rng.choice(["soil", "mud", "dry_grass", "gravel", "sand"])
    mask = Mask(
        "tracks",
        at_m=draw.place(),
        angle=draw.angle(),
        size_m=(rng.uniform(0.1, 0.35), rng.uniform(1.3, 2.1)),
        bend_m=rng.uniform(0.1, 1.5),
        bend_scale_m=rng.uniform(8, 30),
        seed=draw.seed(),
    )
    return [
        draw.layer(
            kind,
            mask,
            opacity=rng.uniform(0.3, 0.95),
            soft_m=rng.uniform(0.04, 0.2),
            ragged_m=0.15,
        )
    ]


def beds(draw: LayerDraw, main: str, first: int) -> list[Layer]:
    """Rectangular beds in rows, edged, with paths between."""
    rng = draw.rng
    at, angle = draw.place(), draw.angle()
    half = (rng.uniform(0.4, 2.0), rng.uniform(0.3, 1.2))
    gap = rng.uniform(0.3, 1.0)
    period = (2 * half[0] + gap, 2 * half[1] + gap)
    region = Mask("boxes", at_m=at, angle=angle, size_m=(rng.uniform(2, 8), rng.uniform(2, 6)))
    layers = [draw.layer(rng.choice(["soil", "gravel", "mown_grass", "leaf_litter", "concrete"]), region)]
    rim = rng.uniform(0.03, 0.12)
    edge = draw.layer(
        rng.choice(["concrete", "concrete", "sheeting", "soil"]),
        _boxes(at, angle, (half[0] + rim, half[1] + rim), period),
        within=first,
    )
    fill = rng.choice(["soil", "mud", "bark_mulch", "broad_leaves", "shrubs", "water", "water", "weedy_grass"])
    layers.append(edge)
    layers.append(
        draw.layer(
            fill,
            _boxes(at, angle, half, period),
            within=first,
            soft_m=0.02,
            ragged_m=0.02 if fill == "water" else 0.1,
        )
    )
    if rng.random() < 0.6:
        plants = Mask(
            "crowns",
            size_m=(0.08, 0.3),
            period_m=(rng.uniform(0.3, 0.7), 0),
            level=rng.uniform(0.3, 0.9),
            seed=draw.seed(),
            bend_m=0.06,
            bend_scale_m=0.4,
        )
        kind = rng.choice(["shrubs", "broad_leaves", "broad_leaves", "wild_grass"])
        crop = draw.layer(kind, plants, within=first + 2, ragged_m=0.1)
        layers.append(crop)
    return layers


def _boxes(at: tuple[float, float], angle: float, half: tuple[float, float], period: tuple[float, float]) -> Mask:
    return Mask("boxes", at_m=at, angle=angle, size_m=half, period_m=period)


def slabs(draw: LayerDraw, main: str, first: int) -> list[Layer]:
    """A paved area of slabs or bricks."""
    rng = draw.rng
    angle = draw.angle()
    size = rng.choice([0.12, 0.3, 0.4, 0.5, 0.6, 1.0, 2.0])
    joints = Joints(
        angle,
        (size, size * rng.choice([0.5, 1.0, 1.0, 2.0])),
        rng.uniform(0.008, 0.03),
        rng.uniform(0.15, 0.5),
    )
    region = Mask("boxes", at_m=draw.place(), angle=angle, size_m=(rng.uniform(1, 8), rng.uniform(1, 6)))
    return [draw.layer("concrete", region, joints=joints)]


def yard(draw: LayerDraw, main: str, first: int) -> list[Layer]:
    """A flat rectangle: sheeting, a low roof with its courses or seams, a sand court."""
    rng = draw.rng
    kind = rng.choice(["sheeting", "sheeting", "sand", "asphalt", "concrete", "gravel"])
    height_m = rng.uniform(1.5, 3.5) if kind == "sheeting" and rng.random() < 0.6 else 0.0
    half = (rng.uniform(0.8, 5), rng.uniform(0.8, 4))
    mask = Mask("boxes", at_m=draw.place(), angle=draw.angle(), size_m=half)
    joints = None
    if height_m and rng.random() < 0.8:
        course, tile = rng.uniform(0.15, 0.6), rng.choice([0.0, 0.2, 0.3, 0.6])
        joints = Joints(mask.angle, (tile, course), rng.uniform(0.015, 0.05), rng.uniform(0.2, 0.6))
    return [draw.layer(kind, mask, height_m=height_m, joints=joints, soft_m=0.02, ragged_m=0.0 if height_m else 0.03)]


def painted_lines(draw: LayerDraw, main: str, first: int) -> list[Layer]:
    """Lines of a pitch, a car park or old markings."""
    rng = draw.rng
    at, angle = draw.place(), draw.angle()
    layers = _line(draw, at, angle, first, dashed=False)
    if rng.random() < 0.6:
        layers += _line(draw, draw.place(), angle + math.pi / 2, first + len(layers), dashed=False)
    return layers


def fence(draw: LayerDraw, main: str, first: int) -> list[Layer]:
    """A fence or wall seen from above with its shadow beside it."""
    rng = draw.rng
    at, angle = draw.place(), draw.angle()
    kind = rng.choice(["concrete", "sheeting", "soil"])
    half = rng.uniform(0.02, 0.12)
    across = (-math.sin(angle), math.cos(angle))
    shift = rng.choice([-1, 1]) * (half + rng.uniform(0.1, 0.8))
    shadow = draw.layer(
        "asphalt",
        Mask("band", at_m=(at[0] + across[0] * shift, at[1] + across[1] * shift), angle=angle, size_m=(half + 0.1, 0)),
        colour=(0.012, 0.012, 0.014), other=(0.012, 0.012, 0.014), opacity=rng.uniform(0.3, 0.7), soft_m=0.05,
    )  # fmt: skip
    return [
        shadow,
        draw.layer(kind, Mask("band", at_m=at, angle=angle, size_m=(half, 0)), soft_m=0.015, ragged_m=0.0),
    ]


def standing_things(draw: LayerDraw, main: str, below: Sequence[Layer]) -> list[Layer]:
    """Trees, shrubs, logs, puddles, and shade from trees outside the picture; ``below`` lies there already."""
    rng, settings = draw.rng, draw.settings
    layers: list[Layer] = []
    # Somebody would have cleared a log off a road, a path, a bed or a yard.
    wild = all(layer.mask.form not in ("band", "tracks", "boxes") for layer in below)
    if rng.random() < (0.15 if main in ("brushwood", "leaf_litter", "wild_grass", "soil") else 0.04) and wild:
        layers += _logs(draw)
    if main in ("mud", "soil", "gravel", "asphalt") and rng.random() < (0.3 if main == "mud" else 0.08):
        layers += puddles(draw)
    if rng.random() < settings.trees:
        kind = "tree_crowns" if rng.random() < 0.5 else "shrubs"
        layers.append(_crowns(draw, kind, drawn=True))
    if rng.random() < settings.tree_shade:
        # Only a small picture can hold the shade of a tree without the tree.
        layers.append(_crowns(draw, "tree_crowns", drawn=draw.width_m > LARGE_M))
    return layers


def _logs(draw: LayerDraw) -> list[Layer]:
    """Fallen trunks, at times with thinner ones between them."""
    rng = draw.rng
    half = rng.uniform(0.5, 2.5)
    thick = max(rng.uniform(0.03, 0.08) * half + 0.02, _THINNEST_PX * draw.gsd_m)
    layers = [_sticks(draw, half, thick, rng.uniform(0.1, 0.5))]
    if 0.5 * thick > _THINNEST_PX * draw.gsd_m and rng.random() < 0.6:
        layers.append(_sticks(draw, rng.uniform(0.3, 0.7) * half, 0.5 * thick, rng.uniform(0.4, 1.0)))
    return layers


# Radius of the thinnest stick whose ridge the coarse grid of distances still holds.
_THINNEST_PX = 3.0


def _sticks(draw: LayerDraw, half_m: float, radius_m: float, level: float) -> Layer:
    rng = draw.rng
    mask = Mask(
        "sticks",
        size_m=(half_m, radius_m),
        period_m=(rng.uniform(2.2, 5) * half_m, 0),
        level=level,
        seed=draw.seed(),
        bend_m=0.35 * radius_m,
        bend_scale_m=0.8 * half_m,
    )
    return draw.layer("bark", mask, height_m=2 * radius_m, soft_m=0.015, ragged_m=0.1 * radius_m)


def puddles(draw: LayerDraw) -> list[Layer]:
    """Standing water in the hollows of bare ground, with wet earth about it."""
    rng = draw.rng
    scale_m = math.exp(rng.uniform(math.log(0.8), math.log(5)))
    level = rng.uniform(0.7, 1.6)
    pool = Mask(
        "patch",
        level=level,
        seed=draw.seed(),
        bend_m=0.16 * scale_m,
        bend_scale_m=scale_m,
        fray_m=0.012 * scale_m,
        fray_scale_m=0.15 * scale_m,
    )
    wet = replace(pool, level=level - 0.3)
    sky = rng.uniform(0.12, 0.45)
    murk = tuple(sky * part * math.exp(rng.normal(0, 0.1)) for part in (0.95, 0.97, 1.0))
    clear = tuple(0.5 * part for part in murk)
    dark = (0.03, 0.026, 0.022)
    return [
        draw.layer("mud", wet, colour=dark, other=dark, opacity=0.45, soft_m=0.06 * scale_m, ragged_m=0.02 * scale_m),
        draw.layer("concrete", pool, colour=murk, other=clear, tone=0.3, relief=0.0, soft_m=0.03, ragged_m=0.01),
    ]


def _crowns(draw: LayerDraw, kind: str, drawn: bool) -> Layer:
    rng = draw.rng
    low, high = (1.2, 4.5) if kind == "tree_crowns" else (0.3, 1.4)
    largest = rng.uniform(low * 1.3, high)
    known = KINDS[kind].height_m
    mask = Mask(
        "crowns",
        at_m=draw.place(),
        size_m=(max(low, largest * 0.4), largest),
        period_m=(largest * rng.uniform(2.2, 7), 0),
        # Where many cells show, a few empty ones hide that they are cells.
        level=rng.uniform(0.25, 1.0) * (0.55 if draw.width_m > LARGE_M else 1.0),
        seed=draw.seed(),
        bend_m=0.22 * largest,
        bend_scale_m=1.1 * largest,
        fray_m=min(0.3, rng.uniform(0.1, 0.2) * largest),
        fray_scale_m=rng.uniform(0.2, 0.5),
    )
    return draw.layer(kind, mask, drawn=drawn, height_m=rng.uniform(*known))


def _moved(draw: LayerDraw, layer: Layer, mask: Mask) -> Layer:
    return replace(layer, mask=mask, offset_px=(draw.rng.integers(512), draw.rng.integers(512)))
