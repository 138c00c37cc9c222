"""Recipe sections for what lies under the objects and for how it is lit and recorded: ground, light, lens, sensor.

A range is two numbers, lowest first; values are drawn evenly between them unless the field says otherwise.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field, model_validator

from mission.settings import Settings

GROUND_KINDS = (
    "mown_grass",
    "weedy_grass",
    "wild_grass",
    "dry_grass",
    "clover",
    "reeds",
    "broad_leaves",
    "soil",
    "mud",
    "sand",
    "gravel",
    "rubble",
    "asphalt",
    "concrete",
    "leaf_litter",
    "bark_mulch",
    "brushwood",
    "shrubs",
    "tree_crowns",
    "water",
    "sheeting",
)
TONES = ("srgb", "soft", "contrasty", "deep", "flat")
#: How drawn things are laid into photographs (``synth.photo_blend``).
BLENDINGS = ("matched", "feathered", "sharpened", "none")
CHROMA_SAMPLINGS = ("4:4:4", "4:2:2", "4:2:0")


def _ordered(values: tuple[float, float]) -> tuple[float, float]:
    if values[0] > values[1]:
        raise ValueError("be two numbers, the lowest first")
    return values


Range = Annotated[tuple[float, float], AfterValidator(_ordered)]


def _within(low: float, high: float) -> AfterValidator:
    def check(values: tuple[float, float]) -> tuple[float, float]:
        if values[0] < low or values[1] > high:
            raise ValueError(f"lie in {low:g}..{high:g}")
        return values

    return AfterValidator(check)


Share = Annotated[float, Field(ge=0, le=1)]
Shares = Annotated[Range, _within(0, 1)]


def _weights(values: dict[str, float], known: tuple[str, ...], what: str) -> dict[str, float]:
    unknown = [name for name in values if name not in known]
    if unknown:
        raise ValueError(f"name known {what} ({', '.join(known)}), and '{unknown[0]}' is none")
    if not values or any(weight < 0 for weight in values.values()) or sum(values.values()) <= 0:
        raise ValueError("hold weights that are not negative, at least one of them positive")
    return values


class GroundSettings(Settings):
    """What the ground is made of. ``kinds`` are weights; a kind left out does not occur as main ground."""

    kinds: dict[str, float] = Field(
        default_factory=lambda: {
            "mown_grass": 2.5,
            "weedy_grass": 1.5,
            "wild_grass": 3.0,
            "dry_grass": 2.0,
            "clover": 1.0,
            "reeds": 0.5,
            "broad_leaves": 0.4,
            "soil": 3.0,
            "mud": 1.0,
            "sand": 1.0,
            "gravel": 1.0,
            "rubble": 0.7,
            "asphalt": 1.0,
            "concrete": 0.7,
            "leaf_litter": 1.0,
            "bark_mulch": 0.4,
            "brushwood": 1.8,
            "shrubs": 1.2,
            "tree_crowns": 0.8,
            "water": 0.3,
            "sheeting": 0.1,
        }
    )
    extra_kinds: tuple[int, int] = (0, 3)
    """Fewest and most further kinds blended into the main one with natural borders."""
    scattered: Share = 0.45
    """Share of grounds with small things scattered on them: stones, tufts, sticks, leaves, molehills, litter."""
    structures: Share = 0.45
    """Share of grounds with made things: paths, roads, tracks, beds, slabs, roofs, fences, paint lines."""
    trees: Share = 0.3
    """Share of grounds with tree crowns or shrubs that stand on it and throw shade."""
    tree_shade: Share = 0.2
    """Share of grounds crossed by the shade of trees that stand outside."""
    colour_spread: Annotated[float, Field(ge=0, le=3)] = 1.0
    """Width of the colour distributions of the kinds (1 = as found in daylight photographs)."""
    contrast: Annotated[Range, _within(0, 3)] = (0.4, 1.9)
    """Contrast of the fine texture, as a multiple of each kind's own. Mown grass and bare soil on real flights vary from pixel
    to pixel by 5 to 10 % of their mean (tenth to ninetieth percentile, measured on three flights), which asks for the low end."""
    blotch: Annotated[Range, _within(0, 2)] = (0.02, 0.15)
    """Relative deviation of brightness over metres."""
    patchiness: Annotated[Range, _within(0, 2)] = (0.0, 0.7)
    """Most relative brightness of spots of decimetres to metres (dry, worn, damp, lush) against the ground between them; each
    kind has its own share of it, and most grounds less."""
    scale_jitter: Annotated[Range, _within(0.25, 4)] = (0.8, 1.25)
    """Photographs as ground are enlarged by up to this factor, so that their texture varies in scale."""
    real_share: Share = 0.7
    """Share of chips on photographs where photographs are given as ground, the others on procedural ground."""
    blending: dict[str, float] = Field(
        default_factory=lambda: {"matched": 5.0, "feathered": 1.5, "sharpened": 2.0, "none": 1.5}
    )
    """Weights of how drawn things are laid into photographs, several so that no one seam gives them away."""

    @model_validator(mode="after")
    def _check(self) -> GroundSettings:
        _weights(self.kinds, GROUND_KINDS, "kinds of ground")
        _weights(self.blending, BLENDINGS, "blendings")
        if not 0 <= self.extra_kinds[0] <= self.extra_kinds[1] <= 5:
            raise ValueError("hold extra_kinds as two whole numbers within 0..5, the lowest first")
        return self


class CaptureSettings(Settings):
    """How a scene is lit, seen through the lens and recorded."""

    sun_elevation_deg: Annotated[Range, _within(3, 90)] = (20, 70)
    sun_azimuth_deg: Annotated[Range, _within(0, 360)] = (0, 360)
    """Clockwise from true north."""
    overcast: Share = 0.2
    """Share of captures without a sun disc; shadows are faint."""
    sky_share: Shares = (0.12, 0.35)
    """Sky light as a share of all light on level ground under a clear sky."""
    haze: Shares = (0.0, 0.08)
    """Share of the light that the air between ground and camera adds evenly."""
    exposure_ev: Annotated[Range, _within(-6, 6)] = (-1.3, 0.5)
    """Exposure against the one that puts a sunlit white board just under full scale."""
    white_balance_error: Annotated[float, Field(ge=0, le=1)] = 0.05
    """Standard deviation of the logarithm of the red and blue gains."""
    white_balance_miss: Share = 0.04
    """Share of captures balanced for quite another light (shade, tungsten): strong casts."""
    blur_sigma_px: Annotated[Range, _within(0, 4)] = (0.4, 1.0)
    """Gaussian equivalent of lens and focus, pixel aperture not counted."""
    smear: Annotated[Range, _within(0, 10)] = (0.2, 1.3)
    """Motion smear as a multiple of the mission's speed times shutter over ground sample distance."""
    vignetting: Shares = (0.0, 0.3)
    """Share of the light lost in the corners of the frame."""
    read_noise_e: Annotated[Range, _within(0, 100)] = (1.5, 6.0)
    full_well_e: Annotated[Range, _within(200, 200000)] = (2500, 40000)
    """Electrons at full scale, at the gain in use (drawn evenly in the logarithm)."""
    noise_reduction: Shares = (0.0, 0.8)
    """How strongly the camera smooths weak contrast before it sharpens."""
    tones: dict[str, float] = Field(
        default_factory=lambda: {"srgb": 2.0, "soft": 2.0, "contrasty": 2.0, "deep": 1.0, "flat": 1.0}
    )
    saturation: Annotated[Range, _within(0, 3)] = (0.85, 1.25)
    sharpening: Annotated[Range, _within(0, 4)] = (0.0, 1.2)
    jpeg_quality: Annotated[tuple[int, int], AfterValidator(_ordered), _within(1, 100)] = (80, 97)
    chroma_sampling: dict[str, float] = Field(default_factory=lambda: {"4:2:0": 5.0, "4:2:2": 4.0, "4:4:4": 1.0})

    @model_validator(mode="after")
    def _check(self) -> CaptureSettings:
        _weights(self.tones, TONES, "tones")
        _weights(self.chroma_sampling, CHROMA_SAMPLINGS, "chroma samplings")
        return self
