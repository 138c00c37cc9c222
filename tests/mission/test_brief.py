"""The imaging brief of whole missions: its figures hang together and each warning comes when it should and only then."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
import yaml

from mission.brief import LEAST_STROKE_PX, exposure_problem, imaging_brief
from mission.imaging import mark_room
from mission.mission_file import Mission, load_mission
from mission.settings import CONFIGS


def changed(**sections: dict[str, object]) -> Mission:
    """The shipped mission with some keys of its file replaced."""
    content = yaml.safe_load((CONFIGS / "missions" / "harrow-fen.yaml").read_text(encoding="utf-8"))
    for section, keys in sections.items():
        content[section].update(keys)
    return Mission.model_validate(content)


#: The shipped mission with panels large enough for the brief to have nothing against it.
LARGE = {"size_smallest": "0.8 m", "size_largest": "1.2 m"}


def only_warning(mission: Mission) -> str:
    warnings = imaging_brief(mission).warnings
    assert len(warnings) == 1, warnings
    return warnings[0]


def test_shipped_mission_by_hand():
    """115 m over 35 mm and 4.2 um is 1.38 cm; 8 m/s for 1/1600 s is 5 mm, 0.36 px; the rest follows on paper."""
    brief = imaging_brief(load_mission("harrow-fen"))
    assert brief.gsd_m == pytest.approx(0.0138)
    assert brief.footprint_m == pytest.approx((76.176, 50.784))
    assert brief.panel_px == pytest.approx((0.4 / 0.0138, 1.0 / 0.0138))
    assert brief.smear_px == pytest.approx(0.005 / 0.0138)
    assert brief.frame_spacing_m == pytest.approx(0.4 * 50.784)
    assert brief.lane_spacing_m == pytest.approx(0.7 * 76.176)
    assert brief.trigger_interval_s == pytest.approx(0.4 * 50.784 / 8)
    assert (brief.lanes, brief.frames) == (3, 39)  # (150 - 76.2) / 53.3 -> 2 more; 240 / 20.3 -> 12 intervals
    assert brief.imaging_time_s == pytest.approx(3 * 240 / 8)
    assert brief.iso == pytest.approx(100 * 16 * 1600 / 2**13)


def test_shipped_missions_stay_below_their_height_limit():
    for name in ("harrow-fen", "harrow-fen-low"):
        mission = load_mission(name)
        assert mission.flight.height_m <= mission.flight.height_limit_m
        assert exposure_problem(mission) is None


def test_lanes_cover_the_area_and_one_less_would_not():
    for width_m in (40, 76, 77, 150, 333):
        mission = changed(site={"area_width": f"{width_m} m"})
        brief = imaging_brief(mission)
        covered_m = brief.footprint_m[0] + (brief.lanes - 1) * brief.lane_spacing_m
        assert covered_m >= width_m - 1e-6
        assert brief.lanes == 1 or covered_m - brief.lane_spacing_m < width_m


def test_height_for_all_is_where_the_last_warning_goes():
    brief = imaging_brief(load_mission("harrow-fen"))
    below = changed(flight={"height": f"{brief.height_for_all_m * 0.999} m", "speed": "3 m/s"})
    above = changed(flight={"height": f"{brief.height_for_all_m * 1.01} m", "speed": "3 m/s"})
    assert imaging_brief(below).warnings == ()
    assert len(imaging_brief(above).warnings) == 1


def test_mark_share_is_cut_to_the_room_of_the_shape():
    mission = changed(panels={"mark_share_min": 0.9})
    rooms = {room.shape: room for room in imaging_brief(mission).shapes}
    assert rooms["square"].mark_share == pytest.approx(0.9)
    for shape in ("star", "cross", "triangle"):
        assert rooms[shape].mark_share == pytest.approx(mark_room(mission.panels.vocabulary.outline(shape)))
        assert rooms[shape].room_share == rooms[shape].mark_share


def test_nothing_stands_against_large_panels():
    assert imaging_brief(changed(panels=LARGE)).warnings == ()


def test_warns_of_a_height_above_the_limit():
    mission = changed(panels={**LARGE, "size_smallest": "1.1 m"}, flight={"height": "125 m"})
    assert "above the limit of 120 m" in only_warning(mission)


def test_warns_of_small_panels_and_thin_strokes():
    warnings = imaging_brief(changed(panels={"size_smallest": "0.2 m"})).warnings
    assert "below 24" in warnings[0]
    assert f"below {LEAST_STROKE_PX:.0f} px" in warnings[1]
    # What the first warning advises is enough.
    height_m = float(warnings[0].split("fly at ")[1].split(" m")[0])
    lower = imaging_brief(changed(panels={"size_smallest": "0.2 m"}, flight={"height": f"{height_m} m"}))
    assert lower.panel_px[0] == pytest.approx(24, rel=0.02)


def test_warns_of_smear_and_its_advice_is_enough():
    dull, fast = {"light_ev100": 12}, {"shutter": "1/500 s", "forward_overlap": 0.3}
    warning = only_warning(changed(panels=LARGE, site=dull, flight={**fast, "speed": "16 m/s"}))
    assert "smears over 2.3 px" in warning
    speed = float(warning.split("fly at ")[1].split(" m/s")[0])
    mission = changed(panels=LARGE, site=dull, flight={**fast, "speed": f"{speed} m/s"})
    assert imaging_brief(mission).smear_px == pytest.approx(1.0, rel=0.02)


@pytest.mark.parametrize(
    ("flight", "site", "reason"),
    [
        ({"shutter": "1/8000 s"}, {}, "fastest shutter is 1/4000 s"),
        ({"shutter": "1/3200 s"}, {"light_ev100": 9}, "too dark"),
        ({"shutter": "1/1600 s"}, {"light_ev100": 16}, "too bright"),
    ],
)
def test_warns_of_a_shutter_that_is_not_possible(flight, site, reason):
    assert reason in only_warning(changed(panels=LARGE, flight=flight, site=site))


def test_warns_of_a_trigger_faster_than_the_camera():
    mission = changed(panels=LARGE, flight={"speed": "14 m/s", "shutter": "1/2000 s", "forward_overlap": 0.8})
    assert "the camera needs 1.00 s" in only_warning(mission)


def test_a_tilted_camera_tells_its_coarsest_corner():
    mission = changed(panels={**LARGE, "size_smallest": "1.1 m"}, flight={"pitch": "20 deg"})
    brief = imaging_brief(mission)
    assert brief.gsd_coarsest_m is not None
    assert brief.gsd_coarsest_m > brief.gsd_m > 0.0138
    assert "looks straight down" in only_warning(mission)
    beyond = imaging_brief(changed(panels=LARGE, flight={"pitch": "79 deg"}))
    assert beyond.gsd_coarsest_m == math.inf
    assert any("horizon" in warning for warning in beyond.warnings)


def test_units_of_the_trade_are_understood():
    mission = changed(flight={"height": "377.3 ft", "speed": "15.55 knot"}, camera={"focal_length": "3.5 cm"})
    brief = imaging_brief(mission)
    assert brief.gsd_m == pytest.approx(0.0138, rel=1e-3)
    assert brief.smear_px == pytest.approx(0.3623, rel=1e-3)


def test_shipped_wanted_list_and_marks_avoid_distress_signals():
    from mission.wanted import load_wanted

    for path in (CONFIGS / "missions").glob("*.yaml"):
        if "." in path.stem:
            continue
        mission = load_mission(path.stem)
        assert not set("VXNY") & set(mission.panels.marks)
        assert mission.wanted is not None
        assert len(load_wanted(mission.wanted, mission.panels.vocabulary)) >= 3
        assert mission.rulebook is not None
        assert Path(mission.rulebook).is_file()
