"""The mission: camera + flight + site + what lies on the ground, one YAML file (format mission/1).

Keys carry no unit in the file because their values do ("height: 80 ft"); here they are stored in SI and the names say so.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BeforeValidator, Field, field_validator, model_validator

from mission.camera import Camera, Origin, PoseSigma, View
from mission.quantities import Degrees, Metres, MetresPerSecond, Millimetres, Seconds
from mission.settings import Settings, load_settings, shipped
from mission.vocabulary import COLOURS, MARKS, SHAPES, Vocabulary, normalised_outline, polygon_area


def _positive(value: float) -> float:
    if not value > 0:
        raise ValueError("be positive")
    return value


def _not_negative(value: float) -> float:
    if value < 0:
        raise ValueError("be zero or more")
    return value


Share = Annotated[float, Field(ge=0, lt=1)]
# How marks lie: at any turn against their panel; upright in it, where the panel's outline has an up (see
# mission.vocabulary); or at any turn with a bar painted below their feet, in their own colour, that says which way up they are.
MarkTurn = Literal["any", "upright-on-panel", "base-bar"]


def _text_items(value: Any) -> Any:
    """YAML reads a mark 4 as a number and a mark N or Y, in its old spelling, as a truth value; names are text."""
    if isinstance(value, list):
        if any(isinstance(item, bool) for item in value):
            raise ValueError("name its marks as text (put N and Y in quotation marks)")
        return tuple(str(item) for item in value)
    return value


Names = Annotated[tuple[str, ...], BeforeValidator(_text_items)]


class CameraSettings(Settings):
    """The camera as its data sheet gives it."""

    image_width_px: int = Field(gt=0, le=100_000)
    image_height_px: int = Field(gt=0, le=100_000)
    sensor_width_mm: Millimetres = Field(alias="sensor_width")
    sensor_height_mm: Millimetres = Field(alias="sensor_height")
    focal_length_mm: Millimetres = Field(alias="focal_length")
    principal_point_px: tuple[float, float] | None = None
    distortion: tuple[float, float, float, float, float] | None = None
    f_number: float = Field(default=5.6, gt=0)
    iso_lowest: float = Field(default=100, gt=0)
    iso_highest: float = Field(default=1600, gt=0)
    shutter_fastest_s: Seconds = Field(default=1 / 4000, alias="shutter_fastest")
    shutter_slowest_s: Seconds = Field(default=1 / 30, alias="shutter_slowest")
    trigger_interval_fastest_s: Seconds = Field(default=1.0, alias="trigger_interval_fastest")

    _positive = field_validator(
        "sensor_width_mm", "sensor_height_mm", "focal_length_mm", "shutter_fastest_s", "shutter_slowest_s",
        "trigger_interval_fastest_s",
    )(_positive)  # fmt: skip

    def as_camera(self) -> Camera:
        """The geometric camera."""
        return Camera(
            self.image_width_px, self.image_height_px, self.sensor_width_mm, self.sensor_height_mm, self.focal_length_mm,
            self.principal_point_px, self.distortion,
        )  # fmt: skip


class FlightSettings(Settings):
    """How the camera is carried. Height is above the ground; the three sigmas are of the recorded pose."""

    height_m: Metres = Field(alias="height")
    height_limit_m: Metres = Field(default=120.0, alias="height_limit")
    speed_mps: MetresPerSecond = Field(alias="speed")
    shutter_s: Seconds = Field(alias="shutter")
    forward_overlap: Share = 0.7
    side_overlap: Share = 0.6
    heading_deg: Degrees = Field(default=0.0, alias="heading")
    pitch_deg: Degrees = Field(default=0.0, alias="pitch")
    roll_deg: Degrees = Field(default=0.0, alias="roll")
    position_sigma_m: Metres = Field(default=0.5, alias="position_sigma")
    attitude_sigma_deg: Degrees = Field(default=0.5, alias="attitude_sigma")
    heading_sigma_deg: Degrees = Field(default=1.0, alias="heading_sigma")

    _positive = field_validator("height_m", "height_limit_m", "speed_mps", "shutter_s")(_positive)
    _not_negative = field_validator("position_sigma_m", "attitude_sigma_deg", "heading_sigma_deg")(_not_negative)

    @field_validator("pitch_deg", "roll_deg")
    @classmethod
    def _below_horizon(cls, value: float) -> float:
        if abs(value) >= 80:
            raise ValueError("lie within -80..80 deg, so that the camera looks at the ground")
        return value

    def sigma(self) -> PoseSigma:
        """What is claimed about the recorded pose."""
        return PoseSigma(self.position_sigma_m, self.attitude_sigma_deg, self.heading_sigma_deg)


class SiteSettings(Settings):
    """Where the exercise is: origin of the local frame, the rectangle to search (centred on it), the light to expect."""

    latitude_deg: float = Field(ge=-90, le=90)
    longitude_deg: float = Field(ge=-180, le=180)
    ellipsoidal_height_m: Metres = Field(default=0.0, alias="ellipsoidal_height")
    area_width_m: Metres = Field(default=150.0, alias="area_width")
    area_length_m: Metres = Field(default=200.0, alias="area_length")
    light_ev100: float = Field(default=13.0, ge=-4, le=18)

    _positive = field_validator("area_width_m", "area_length_m")(_positive)

    @property
    def origin(self) -> Origin:
        """The local frame's origin."""
        return Origin(self.latitude_deg, self.longitude_deg, self.ellipsoidal_height_m)


class PanelSettings(Settings):
    """The panels that may lie on the ground. Sizes are of the larger side; shares are of the panel's and the mark's size."""

    size_smallest_m: Metres = Field(alias="size_smallest")
    size_largest_m: Metres = Field(alias="size_largest")
    mark_share_min: float = Field(default=0.5, gt=0, le=1)
    stroke_share_min: float = Field(default=1 / 7, gt=0, lt=0.5)
    lightness_difference_min: float = Field(default=25.0, ge=0, le=100)
    colour_difference_min: float = Field(default=30.0, ge=0, le=100)
    per_run_fewest: int = Field(default=4, ge=0, le=1000)
    per_run_most: int = Field(default=6, ge=0, le=1000)
    shapes: Names = SHAPES
    colours: Names = COLOURS
    marks: Names = MARKS
    mark_turn: MarkTurn = "any"
    outlines: dict[str, list[tuple[float, float]]] = Field(default_factory=dict)

    _positive = field_validator("size_smallest_m", "size_largest_m")(_positive)

    @field_validator("outlines")
    @classmethod
    def _simple_polygons(cls, value: dict[str, list[tuple[float, float]]]) -> dict[str, list[tuple[float, float]]]:
        for name, points in value.items():
            _check_outline(name, points)
        return value

    @model_validator(mode="after")
    def _consistent(self) -> PanelSettings:
        if self.size_smallest_m > self.size_largest_m:
            raise ValueError("have a 'size_smallest' not above its 'size_largest'")
        if self.per_run_fewest > self.per_run_most:
            raise ValueError("have a 'per_run_fewest' not above its 'per_run_most'")
        for key, values, known in (
            ("shapes", self.shapes, (*SHAPES, *self.outlines)),
            ("colours", self.colours, COLOURS),
            ("marks", self.marks, MARKS),
        ):
            unknown = [v for v in values if v not in known]
            if unknown or not values or len(set(values)) != len(values):
                what = f"'{unknown[0]}'" if unknown else "an empty or repeating list"
                raise ValueError(f"name {key} from the vocabulary ({', '.join(known)}), each once, and not {what}")
        return self

    @property
    def size_m(self) -> tuple[float, float]:
        """Smallest and largest panel size [m]."""
        return self.size_smallest_m, self.size_largest_m

    @property
    def vocabulary(self) -> Vocabulary:
        """What a reader has to tell apart on this mission."""
        extra = {
            name: tuple((float(x), float(y)) for x, y in normalised_outline(np.asarray(points)))
            for name, points in self.outlines.items()
            if name in self.shapes
        }
        return Vocabulary(self.shapes, self.colours, self.marks, extra)


def _check_outline(name: str, points: list[tuple[float, float]]) -> None:
    from shapely.geometry import Polygon  # loaded only by the missions that bring an outline of their own

    if name in SHAPES:
        raise ValueError(f"not give '{name}' again: it is in the vocabulary")
    if len(points) < 3 or not np.isfinite(points).all():
        raise ValueError(f"have at least three corners for '{name}'")
    if not Polygon(points).is_valid or abs(polygon_area(np.asarray(points, dtype=float))) < 1e-9:
        raise ValueError(f"have an outline for '{name}' that does not cross itself and has an area")


class PersonSettings(Settings):
    """People in the search area."""

    per_run_fewest: int = Field(default=0, ge=0, le=100)
    per_run_most: int = Field(default=2, ge=0, le=100)
    dummy: bool = False  # True only where the exercise lays out a dummy as a person to deliver to

    @model_validator(mode="after")
    def _ordered(self) -> PersonSettings:
        if self.per_run_fewest > self.per_run_most:
            raise ValueError("have a 'per_run_fewest' not above its 'per_run_most'")
        return self


class Mission(Settings):
    """One mission. ``rulebook`` and ``wanted`` are paths relative to the mission's own file."""

    format: Literal["mission/1"] = "mission/1"
    name: str = Field(min_length=1, max_length=120)
    camera: CameraSettings
    flight: FlightSettings
    site: SiteSettings
    panels: PanelSettings
    persons: PersonSettings = PersonSettings()
    keep_clear_m: Metres = Field(default=10.0, alias="keep_clear")
    rulebook: Path | None = None
    wanted: Path | None = None

    _not_negative = field_validator("keep_clear_m")(_not_negative)

    @property
    def ground_sample_distance_m(self) -> float:
        """Ground sample distance of the level flight straight down [m/px]: height times pixel pitch over focal length."""
        return self.flight.height_m * self.camera.as_camera().pixel_pitch_mm / self.camera.focal_length_mm

    def view_at(self, east_m: float, north_m: float, heading_deg: float | None = None) -> View:
        """The view of the mission's camera above a point of the site, at the mission's height and attitude."""
        return View(
            self.camera.as_camera(),
            (east_m, north_m, self.flight.height_m),
            self.flight.heading_deg if heading_deg is None else heading_deg,
            self.flight.pitch_deg,
            self.flight.roll_deg,
            self.site.origin,
            None,
            self.flight.sigma(),
        )


def load_mission(path_or_name: str | Path) -> Mission:
    """Read a mission file, or a shipped mission by its bare name; rulebook and wanted come back as absolute paths."""
    path = shipped("missions", path_or_name)
    mission = load_settings(path, Mission)
    folder = path.resolve().parent
    places = {key: folder / value for key in ("rulebook", "wanted") if (value := getattr(mission, key)) is not None}
    return mission.model_copy(update=places)
