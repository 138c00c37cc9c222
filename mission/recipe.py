"""The recipe: how a frame set is rendered, or chips for training are (format recipe/1).

A recipe says what may lie on the ground and how often; the mission says with which camera it is seen and which panels the
exercise uses. Ranges are two numbers, lowest first; shares are 0..1.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, field_validator

from mission.errors import InputError
from mission.mission_file import Mission
from mission.recipe_light import CaptureSettings, GroundSettings, Range, Share, _weights, _within
from mission.settings import Settings, load_settings, shipped

POSTURES = (
    "standing", "walking", "waving", "sitting", "crouching", "lying", "kneeling", "bending", "cycling", "pushing",
    "spread", "crawling",
)  # fmt: skip
DECOYS = (
    "board",
    "sign",
    "ground_mark",
    "tarpaulin",
    "car",
    "box",
    "barrel",
    "cone",
    "litter",
    "stone",
    "road_marking",
    "drain_cover",
    "bird",
    "post",
    "bag",
    "hose",
    "furniture",
    "case",
    "number_plate",
    "banner",
    "labelled_box",
    "road_lettering",
    "pictured_board",
    "marker_disc",
    "bucket",
    "ball",
    "round_lid",
    "bin_on_wheels",
    "animal",
    "parasol",
    "tent",
    "blanket",
    "towel",
    "bench",
    "pallet",
    "pram",
    "bicycle",
    "flower_bed",
    "sports_line",
    "short_sign",
    "broad_cone",
    "ringed_thing",
    "bush",
    "stump",
    "clothing",
    "lone_shadow",
)
Whole = Annotated[tuple[int, int], AfterValidator(lambda v: _ordered_whole(v))]


def _ordered_whole(values: tuple[int, int]) -> tuple[int, int]:
    if not 0 <= values[0] <= values[1] <= 500:
        raise ValueError("be two whole numbers from 0 to 500, the lowest first")
    return values


class CompositionSettings(Settings):
    """What is in a chip and in a frame, and from where it is seen."""

    empty_share: Share = 0.35
    """Share of chips with neither panel nor person; other things may lie there."""
    panels_per_chip: Whole = (0, 3)
    person_share: Share = 0.35
    """Share of the other chips that hold people."""
    persons_per_chip: Whole = (1, 2)
    decoys_per_chip: Whole = (0, 4)
    decoys_per_hectare: Annotated[Range, _within(0, 2000)] = (10, 70)
    """Things in frames that are no target."""
    ground_sample_share: Annotated[Range, _within(0.2, 5)] = (0.75, 1.4)
    """Scale of a chip as a multiple of the mission's ground sample distance (drawn evenly in the logarithm)."""
    tilt_deg: Annotated[Range, _within(0, 60)] = (0, 18)
    """How far chips are seen off the vertical, beyond the lens's own angle."""
    oblique_share: Share = 0.15
    """Share of chips seen at an angle of ``oblique_deg`` instead: turns of the aircraft, tilted gimbals. Never so far that a
    corner of the frame would look further than 75 deg off the vertical."""
    oblique_deg: Annotated[Range, _within(0, 60)] = (18, 45)
    beside_person_share: Share = 0.15
    """Share of people who stand close beside a panel."""


class PanelLookSettings(Settings):
    """How panels are made and how they lie. Shares are of panels; strengths are drawn evenly from 0 to the value."""

    typefaces: Literal["training", "held-out", "all"] = "training"
    paint_spread: Share = 1.0
    """Width of the colours that go by one name: 1 as wide as a careful human would still call them so, 0 the best example
    of each name alone."""
    ground_like_share: Share = 0.1
    """Share of panels whose paint is, within its name, near the colour of some ground."""
    mark_turn_deg: Annotated[Range, _within(-180, 180)] = (-180, 180)
    """Turn of the mark against its shape."""
    upright_share: Share = 0.35
    """Share of panels whose mark stands upright in its shape in spite of the range above."""
    mark_share: Annotated[Range, _within(0.1, 1)] = (0.5, 0.8)
    """Mark's height as a share of the panel; a shape with less room gets the largest mark that fits."""
    stroke_share: Annotated[Range, _within(0.05, 0.4)] = (0.143, 0.26)
    """Width of the mark's strokes as a share of its height."""
    gloss: Annotated[float, Field(ge=0, le=1)] = 0.25
    dirt: Annotated[float, Field(ge=0, le=1)] = 0.35
    fade: Annotated[float, Field(ge=0, le=1)] = 0.25
    wrinkle: Annotated[float, Field(ge=0, le=1)] = 0.25
    fold_share: Share = 0.2
    tape_share: Share = 0.15
    weight_share: Share = 0.12
    """Share of panels held down by stones or pegs."""
    blades_share: Share = 0.35
    """Share of panels with blades of grass over the edge."""
    cover_share: Share = 0.08
    """Share of panels partly covered by what lies or grows there."""
    thin_mark_share: Share = 0.08
    """Share of panels that bear one of the thinnest marks (1, 7, I, J, L, where the mission has them) beyond their turn."""
    shade_share: Share = 0.28
    """Share of panels crossed by the shadow of something outside."""
    tilt_deg: Annotated[float, Field(ge=0, le=30)] = 5.0
    """Standard deviation of how far a panel lies off the level."""
    thickness_m: Annotated[Range, _within(0, 1)] = (0.0, 0.04)


class PersonLookSettings(Settings):
    """People: posture weights and what they wear and carry."""

    postures: dict[str, float] = Field(
        default_factory=lambda: {
            "standing": 4.0, "walking": 3.0, "waving": 1.5, "sitting": 1.0, "crouching": 0.7, "lying": 1.0,
            "kneeling": 0.5, "bending": 0.6, "cycling": 0.25, "pushing": 0.2, "spread": 0.5, "crawling": 0.3,
        }
    )  # fmt: skip
    height_m: Annotated[Range, _within(0.8, 2.3)] = (1.5, 1.95)
    """Of adults; see ``child_share``."""
    child_share: Share = 0.12
    """Share of children, of 0.55 to 0.85 times an adult's height."""
    girth: Annotated[Range, _within(0.6, 1.8)] = (0.8, 1.32)
    """Width of body and limbs against the build of a slim adult."""
    headgear_share: Share = 0.45
    bag_share: Share = 0.2
    bicycle_share: Share = 0.06
    """Share of people with a bicycle beside them; those who cycle have one in any case, those who push a pram."""
    held_share: Share = 0.2
    """Share of people who hold something: a stick, a bag, a box, a board."""
    umbrella_share: Share = 0.04
    blanket_share: Share = 0.4
    """Share of those who sit, lie or kneel who do so on a blanket."""
    together_share: Share = 0.3
    """Share of people who stand close by another one of their picture."""
    shade_share: Share = 0.18
    """Share of people in the shade of something outside: only the sky lights them, and they throw no shadow of their own."""
    cover_share: Share = 0.07
    """Share of people partly hidden under foliage."""

    @field_validator("postures")
    @classmethod
    def _known_postures(cls, value: dict[str, float]) -> dict[str, float]:
        return _weights(value, POSTURES, "postures")


class DecoySettings(Settings):
    """Things that are no target, as weights; a kind left out does not occur."""

    kinds: dict[str, float] = Field(
        default_factory=lambda: (
            # What is most often taken for a panel comes most often; then what is common in the field.
            dict.fromkeys(DECOYS, 0.5)
            | {
                "board": 2.5,
                "sign": 2.0,
                "ground_mark": 1.2,
                "stone": 1.5,
                "cone": 2.5,
                "pictured_board": 2.5,
                "bird": 1.6,
            }
            | {"short_sign": 3.0, "broad_cone": 1.5, "ringed_thing": 1.2}
            | {"number_plate": 0.8, "labelled_box": 0.9, "road_lettering": 0.9, "round_lid": 1.0, "marker_disc": 0.7}
            | dict.fromkeys(("car", "box", "litter", "road_marking", "drain_cover", "bag"), 1.0)
            # What is most often taken for a person (benchmarks.reading.mistaken).
            | {
                "bush": 1.2,
                "stump": 0.8,
                "clothing": 0.8,
                "lone_shadow": 0.5,
                "pram": 0.8,
                "bicycle": 0.8,
                "animal": 0.7,
            }
            # Large things hide much of a chip.
            | {"blanket": 0.5, "flower_bed": 0.5}
            | dict.fromkeys(("tent", "parasol", "banner", "bench"), 0.25)
        )
    )

    @field_validator("kinds")
    @classmethod
    def _known_kinds(cls, value: dict[str, float]) -> dict[str, float]:
        return _weights(value, DECOYS, "kinds of decoy")


class FlightLookSettings(Settings):
    """How frames are taken over a layout: a run is one flight of a few overlapping frames in parallel lanes."""

    frames_per_run: Annotated[int, Field(ge=1, le=1000)] = 4
    lanes_per_run: Annotated[int, Field(ge=1, le=50)] = 1
    attitude_spread_deg: Annotated[float, Field(ge=0, le=30)] = 1.5
    """Standard deviation of pitch and roll about the mission's; the recorded pose knows of it."""
    real_share: Share = 1.0
    """Share of runs over photographs where photographs are given as ground (``ground.real_share`` is for chips)."""
    wanted_share: Share = 0.6
    """Share of a run's panels that its wanted list asks for."""


class Recipe(Settings):
    """One recipe. ``chip`` settings serve training, ``flight`` settings serve frames, the rest both."""

    format: Literal["recipe/1"] = "recipe/1"
    name: str = Field(min_length=1, max_length=120)
    composition: CompositionSettings = CompositionSettings()
    panels: PanelLookSettings = PanelLookSettings()
    persons: PersonLookSettings = PersonLookSettings()
    decoys: DecoySettings = DecoySettings()
    flight: FlightLookSettings = FlightLookSettings()
    ground: GroundSettings = GroundSettings()
    capture: CaptureSettings = CaptureSettings()


def load_recipe(path_or_name: str | Path) -> Recipe:
    """Read a recipe file, or a shipped recipe by its bare name."""
    return load_settings(shipped("recipes", path_or_name), Recipe)


def check_recipe(recipe: Recipe, mission: Mission, where: str | Path = "the recipe") -> None:
    """Refuse a recipe whose ranges contradict the mission's panels."""
    shares, least = recipe.panels.mark_share, mission.panels.mark_share_min
    if shares[1] < least:
        raise InputError(
            f"The 'panels.mark_share' in {where} must reach the mission's least share of {least:g}. Got {shares[1]:g} instead."
        )
    strokes, stroke = recipe.panels.stroke_share, mission.panels.stroke_share_min
    if strokes[1] < stroke:
        raise InputError(
            f"The 'panels.stroke_share' in {where} must reach the mission's least share of {stroke:g}."
            f" Got {strokes[1]:g} instead."
        )
