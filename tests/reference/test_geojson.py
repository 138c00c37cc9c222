"""Maps against RFC 7946 (GeoJSON, August 2016): positions, rings, null geometries."""

from __future__ import annotations

import json

import numpy as np
import pytest
import shapely
from pyproj import Geod
from shapely.geometry import shape

from mission.camera import Camera, Origin, View
from mission.finds import Find, Finds, write_finds
from pipeline.coverage import cover, coverage_to_json, frame_ground, geojson_geometry

ORIGIN = Origin(52.5, 0.25, 45.0)


def rings(geometry: dict) -> list[list[list[list[float]]]]:
    return [geometry["coordinates"]] if geometry["type"] == "Polygon" else geometry["coordinates"]


def assert_rfc_7946(geometry: dict) -> None:
    """Section 3.1.6: four positions or more, closed, exterior counter-clockwise and holes clockwise; section 4: degrees."""
    for polygon in rings(geometry):
        for i, ring in enumerate(polygon):
            assert len(ring) >= 4 and ring[0] == ring[-1]
            assert shapely.LinearRing(ring).is_ccw == (i == 0)
            assert all(-180 <= longitude <= 180 and -90 <= latitude <= 90 for longitude, latitude in ring)


def test_the_standards_own_polygons_pass_and_a_turned_one_fails():
    # RFC 7946 section 1.5 example and appendix A.3, polygon with hole (coordinates from memory).
    plain = [[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]]
    hole = [[100.8, 0.8], [100.8, 0.2], [100.2, 0.2], [100.2, 0.8], [100.8, 0.8]]
    assert_rfc_7946({"type": "Polygon", "coordinates": [plain, hole]})
    assert shape({"type": "Polygon", "coordinates": [plain, hole]}).area == pytest.approx(0.64)
    with pytest.raises(AssertionError):
        assert_rfc_7946({"type": "Polygon", "coordinates": [plain[::-1]]})


def test_coverage_is_rfc_7946_and_keeps_its_area_on_the_ellipsoid():
    camera = Camera(5520, 3680, 23.184, 15.456, 35.0)
    places = [
        (-60.0, -40.0),
        (60.0, -40.0),
        (60.0, 40.0),
        (-60.0, 40.0),
        (0.0, 40.0),
        (0.0, -40.0),
        (-60.0, 0),
        (60.0, 0),
    ]
    views = [View(camera, (e, n, 100.0), origin=ORIGIN) for e, n in places]
    content = coverage_to_json([(cover([frame_ground(v, 0.5) for v in views], (200.0, 160.0)), ORIGIN)], 0)
    assert content["type"] == "FeatureCollection" and len(content["features"]) > len(views)
    geod = Geod(ellps="WGS84")
    for feature in json.loads(json.dumps(content))["features"]:
        assert feature["type"] == "Feature"
        assert_rfc_7946(feature["geometry"])
        # The ground lies 45 m above the ellipsoid: areas there are (1 + 45 / 6.37e6)^2 smaller.
        area, _ = geod.geometry_area_perimeter(shape(feature["geometry"]))
        assert area == pytest.approx(feature["properties"]["area_m2"], rel=1e-4, abs=0.02)
    kinds = {feature["properties"]["kind"] for feature in content["features"]}
    assert "hole" in kinds


def test_a_ring_with_a_hole_keeps_its_turns():
    ring = shapely.box(-10, -10, 10, 10).difference(shapely.box(-5, -5, 5, 5))
    geometry = geojson_geometry(ring, ORIGIN)
    assert geometry is not None and len(geometry["coordinates"]) == 2
    assert_rfc_7946(geometry)
    assert geojson_geometry(shapely.Polygon(), ORIGIN) is None


def test_a_find_is_a_point_with_longitude_first_at_the_published_place(tmp_path):
    # EPSG Guidance Note 7-2, methods 9836/9837: 53 48 33.820 N 2 07 46.380 E relative to 55 N 5 E 200 m.
    origin = Origin(55.0, 5.0, 200.0)
    place = (-189013.869, -128642.040, -4220.171)
    known = Find("find-1", "panel", 0.9, "run", place, ((1.0, 0.0), (0.0, 1.0)))
    unknown = Find("find-2", "panel", 0.9, "run", None, None)
    write_finds(tmp_path / "finds.geojson", Finds((known, unknown), origins={"run": origin}))
    first, second = json.loads((tmp_path / "finds.geojson").read_text())["features"]
    assert first["geometry"]["coordinates"][:2] == pytest.approx([2.12955, 53.80939444], abs=1e-8)
    assert second["geometry"] is None  # section 3.2: a feature without a place
    assert np.isfinite(first["properties"]["ground_enu_m"]).all()
