"""Scale, footprint, overlap and smear against published worked examples of aerial photography.

Sources stand beside each case. "Closed" marks values that follow from a definition by algebra alone.
"""

from __future__ import annotations

import math

import pytest
from shapely import Polygon
from shapely.ops import polylabel

from mission.camera import Camera, View, ground_sample_distance_m
from mission.imaging import (
    field_of_view_deg,
    frames_per_lane,
    height_for_gsd_m,
    iso_needed,
    lanes_needed,
    mark_room,
    nadir_footprint_m,
    nadir_gsd_m,
    scale_number,
    smear_px,
    station_spacing_m,
)
from mission.vocabulary import STAR_INNER_RATIO, outline

FOOT_M, INCH_MM = 0.3048, 25.4

# A photogrammetry vendor's published ground-sample-distance sheet: 13.125 mm sensor, 15.4 mm lens, 4608 x 3456 px.
SHEET_CAMERA = Camera(4608, 3456, 13.125, 13.125 * 3456 / 4608, 15.4)


@pytest.mark.parametrize(
    ("focal_in", "height_ft", "published", "tolerance"),
    [
        (6.0, 20_000, 40_000, 1e-12),  # USGS FAQ, "What is NAPP/NHAP photography?": 1:40 000
        (6.0, 40_000, 80_000, 1e-12),  # the same: 1:80 000
        (8.25, 40_000, 58_000, 0.01),  # the same: 1:58 000, rounded by the source
    ],
)
def test_image_scale_usgs(focal_in, height_ft, published, tolerance):
    assert scale_number(focal_in * INCH_MM, height_ft * FOOT_M) == pytest.approx(published, rel=tolerance)


def test_flight_plan_of_a_course_problem():
    """Course problem set on flight planning: f 152 mm, scale 1:25 000, terrain at 500 m, 230 mm film, 20 x 35 km, endlap
    60 %, sidelap 30 %; published: 3 800 m above ground, 5 750 m a side, 7 lines of 20 photographs."""
    height_m = 3800.0
    assert scale_number(152, height_m) == pytest.approx(25_000)
    film = Camera(23_000, 23_000, 230.0, 230.0, 152.0)
    side_m, along_m = nadir_footprint_m(film, height_m)
    assert (side_m, along_m) == pytest.approx((5750, 5750))
    lane_m, base_m = station_spacing_m(side_m, 0.30), station_spacing_m(along_m, 0.60)
    assert (lane_m, base_m) == pytest.approx((4025, 2300))
    # Stereo surveys add one line beyond each edge and two photographs beyond each end; a search needs neither, and
    # counts one frame on top of the whole intervals.
    assert lanes_needed(20_000, side_m, lane_m) + 2 == 7
    assert (frames_per_lane(35_000, base_m) - 1) + 2 * 2 == 20


def test_small_format_worked_example():
    """Aber, Marzolff & Ries, Small-Format Aerial Photography, "Initial calculations" (Fig. 9-15): sensor 22.2 x 14.8 mm,
    f 20 mm, 120 m wanted along the short side: scale 1:8 108, length 180 m, height 162.16 m, ground pixel 5.2 cm.
    The pixel count (3 456 across 22.2 mm) is an assumption of the check, not of the book."""
    camera = Camera(3456, 2304, 22.2, 14.8, 20.0)
    height_m = 162.16
    assert scale_number(20.0, height_m) == pytest.approx(8108, rel=1e-3)
    length_m, width_m = nadir_footprint_m(camera, height_m)
    assert width_m == pytest.approx(120.0, rel=1e-3)
    assert length_m == pytest.approx(180.0, rel=1e-3)
    assert nadir_gsd_m(camera, height_m)[0] == pytest.approx(0.052, rel=3e-3)
    # The length-driven scale of 1:5 766 covers only 85.34 m.
    assert nadir_footprint_m(camera, 5766 * 0.020)[1] == pytest.approx(85.34, rel=1e-3)


def test_published_gsd_sheet():
    """The sheet prints 1.85 cm/px and 85 x 64 m at 100 m."""
    across_m, along_m = nadir_gsd_m(SHEET_CAMERA, 100)
    assert across_m * 100 == pytest.approx(1.85, abs=0.005)
    assert along_m == pytest.approx(across_m)
    footprint_m = nadir_footprint_m(SHEET_CAMERA, 100)
    assert [round(side) for side in footprint_m] == [85, 64]
    assert footprint_m == pytest.approx((85.2273, 63.9205), abs=1e-4)
    assert height_for_gsd_m(SHEET_CAMERA, across_m) == pytest.approx(100)
    assert ground_sample_distance_m(View(SHEET_CAMERA, (0, 0, 100))) == pytest.approx(across_m, rel=1e-9)


def test_ground_plane_gsd_of_an_oblique_view():
    """NGA, General Image Quality Equation 5.0 (16 Sep 2015), section 2.3: pitch / focal length * slant range, and on the
    ground plane divided by the square root of the sine of the elevation (here 60 deg, 30 deg off straight down)."""
    height_m, elevation = 100.0, math.radians(60)
    slant_m = height_m / math.sin(elevation)
    gsd_m = SHEET_CAMERA.pixel_pitch_mm / SHEET_CAMERA.focal_length_mm * slant_m
    view = View(SHEET_CAMERA, (0, 0, height_m), pitch_deg=30.0)
    assert ground_sample_distance_m(view) == pytest.approx(gsd_m / math.sqrt(math.sin(elevation)), rel=1e-6)


def test_field_of_view_closed():
    assert field_of_view_deg(SHEET_CAMERA) == pytest.approx((46.16123, 35.44800), abs=5e-6)


def test_smear_closed():
    assert smear_px(15, 1 / 1000, 0.02) == pytest.approx(0.75)


def test_exposure_value_fifteen_is_the_sunny_sixteen_rule():
    """In full sun, f/16 and one over the ISO speed (common practice, no source); EV 15 agrees to 0.4 of a stop (EV 14.6)."""
    assert math.log2(iso_needed(16, 1 / 100, 15.0) / 100) == pytest.approx(0, abs=0.4)
    assert iso_needed(8, 1 / 400, 15.0) == pytest.approx(iso_needed(16, 1 / 100, 15.0))


@pytest.mark.parametrize(
    ("shape", "diameter"),
    [
        ("square", 1.0),
        ("rectangle", 0.5),
        ("triangle", 1 / math.sqrt(3)),  # inscribed circle of an equilateral triangle: side / sqrt 3
        ("quadrant", 2 / (1 + math.sqrt(2))),  # touches both radii and the arc
        ("hexagon", math.sqrt(3) / 2),
        # Distance of the inner corners of a five-pointed star as wide as 1 (outer radius 1 / (2 sin 72 deg)).
        ("star", STAR_INNER_RATIO / math.sin(math.radians(72))),
    ],
)
def test_room_for_a_mark_is_the_inscribed_circle_closed(shape, diameter):
    # Curves are polygons of 96 corners a turn, whose sagitta is 0.05 % of the radius.
    assert mark_room(outline(shape)) == pytest.approx(diameter, abs=6e-4)


def test_star_cross_and_triangle_leave_about_half():
    for shape in ("star", "cross", "triangle"):
        assert 0.4 < mark_room(outline(shape)) < 0.6


def test_room_lies_inside_the_shape():
    for shape in ("cross", "semicircle", "trapezium"):
        polygon = Polygon(outline(shape))
        disc = polylabel(polygon, 1e-5).buffer(mark_room(outline(shape)) / 2 - 1e-6)
        assert polygon.contains(disc)
