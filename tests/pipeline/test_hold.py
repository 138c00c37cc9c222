"""Why a find is held: one test per reason, and nothing is ever confirmed."""

from __future__ import annotations

from dataclasses import replace

from mission.finds import Find
from mission.mission_file import load_mission
from pipeline.hold import Zone, hold

ZONE = Zone(keep_clear_m=10.0, area_m=(100.0, 200.0))
PANEL = Find("p", "panel", 0.9, "run", (0.0, 0.0, 0.0), ((0.25, 0.0), (0.0, 0.25)))
PERSON = replace(PANEL, id="h", category="person", ground_enu_m=(40.0, 0.0, 0.0))


def reason(*finds: Find, zone: Zone = ZONE, across: float = 60.0) -> str | None:
    held = hold(finds, zone, {find.id: across for find in finds})
    assert all(find.confirmed is None for find in held)
    return held[0].held


def test_a_sure_panel_far_from_everybody_is_not_held():
    assert reason(PANEL, PERSON) is None


def test_near_a_person_with_both_ellipses_counted():
    # 95 % reach of sigma 0.5 m is 1.22 m; of two, 1.73 m.
    assert reason(PANEL, replace(PERSON, ground_enu_m=(11.7, 0.0, 0.0))) == "a person may be within 10 m of it"
    assert reason(PANEL, replace(PERSON, ground_enu_m=(11.8, 0.0, 0.0))) is None


def test_a_person_of_another_run_does_not_count():
    assert reason(PANEL, replace(PERSON, ground_enu_m=(1.0, 0.0, 0.0), mission_run="other")) is None


def test_an_ellipse_larger_than_the_zone():
    wide = replace(PANEL, ground_covariance_m2=((25.0, 0.0), (0.0, 1.0)))
    assert reason(wide) == "its 95 % ellipse reaches 12.2 m, more than the 10 m to keep clear"


def test_an_ellipse_that_leaves_the_search_area():
    assert reason(replace(PANEL, ground_enu_m=(49.0, 0.0, 0.0))) == "its 95 % ellipse leaves the search area"
    assert reason(replace(PANEL, ground_enu_m=(48.7, 0.0, 0.0))) is None
    assert reason(replace(PANEL, ground_enu_m=(490.0, 0.0, 0.0)), zone=Zone(10.0)) is None


def test_ground_seen_too_coarsely():
    assert reason(PANEL, across=23.0) == "it was seen too coarsely, 23 px across where 24 are needed"


def test_a_place_that_is_not_known():
    assert reason(replace(PANEL, ground_enu_m=None, ground_covariance_m2=None)) == "its place is not known"


def test_a_person_unless_the_mission_declares_a_dummy():
    assert reason(PERSON) == "a person is no delivery place"
    assert reason(PERSON, zone=replace(ZONE, person_is_dummy=True)) is None


def test_the_zone_of_a_mission():
    mission = load_mission("harrow-fen")
    zone = Zone.of(mission)
    assert zone.keep_clear_m == mission.keep_clear_m
    assert zone.area_m == (mission.site.area_width_m, mission.site.area_length_m)
    assert Zone.of(None) == Zone()
