"""Why a find must not be used as it is: the first reason that applies, in plain words, or None.

A find is held when a person was found within the keep-clear distance, when its 95 % ellipse leaves the zone around
it or the site, when its place is not known, when the ground around it was seen too coarsely to see a person or read
a mark, and when it is a person itself, unless the mission declares a dummy. Not held is not cleared: a human still
has to look.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from mission.brief import LEAST_PANEL_PX
from mission.finds import Find
from mission.mission_file import Mission
from pipeline.locate import CHI_SQUARE_2_95, ellipse_95_m

Array = NDArray[np.float64]

# Fewer pixels across a panel than this are too coarse to trust: the number at which the brief warns.
LEAST_PIXELS_ACROSS = LEAST_PANEL_PX


@dataclass(frozen=True)
class Zone:
    """What holding needs of a mission.

    ``area_m`` is (width east, length north) of the rectangle searched, centred on the origin; None where it is not
    known.
    """

    keep_clear_m: float = 10.0
    area_m: tuple[float, float] | None = None
    person_is_dummy: bool = False

    @staticmethod
    def of(mission: Mission | None) -> Zone:
        """The mission's zone; without a mission the usual keep-clear distance and no area."""
        if mission is None:
            return Zone()
        area = (mission.site.area_width_m, mission.site.area_length_m)
        return Zone(mission.keep_clear_m, area, mission.persons.dummy)


@dataclass(frozen=True)
class _Placed:
    """A find's run, its place east and north [m], and the reach of its 95 % ellipse [m]."""

    mission_run: str | None
    place_m: Array
    reach_m: float


def hold(finds: Sequence[Find], zone: Zone, pixels_across: Mapping[str, float]) -> tuple[Find, ...]:
    """The finds, each with the reason why it is held, or None.

    ``pixels_across``: find id -> pixels across it in its best look (absent: not known).
    """
    people = [placed for find in finds if find.category == "person" and (placed := _placed(find)) is not None]
    return tuple(replace(find, held=_reason(find, zone, pixels_across.get(find.id), people)) for find in finds)


def _placed(find: Find) -> _Placed | None:
    if find.ground_enu_m is None or find.ground_covariance_m2 is None:
        return None
    reach_m, _, _ = ellipse_95_m(np.array(find.ground_covariance_m2))
    return _Placed(find.mission_run, np.array(find.ground_enu_m[:2]), reach_m)


def _reason(find: Find, zone: Zone, pixels_across: float | None, people: Sequence[_Placed]) -> str | None:
    if find.category == "person" and not zone.person_is_dummy:
        return "a person is no delivery place"
    own = _placed(find)
    if own is None:
        return "its place is not known"
    if own.reach_m > zone.keep_clear_m:
        return f"its 95 % ellipse reaches {own.reach_m:.1f} m, more than the {zone.keep_clear_m:g} m to keep clear"
    if not _inside(own.place_m, np.array(find.ground_covariance_m2), zone.area_m):
        return "its 95 % ellipse leaves the search area"
    if pixels_across is not None and pixels_across < LEAST_PIXELS_ACROSS:
        return f"it was seen too coarsely, {pixels_across:.0f} px across where {LEAST_PIXELS_ACROSS:.0f} are needed"
    if find.category == "panel" and any(_may_be_near(own, person, zone.keep_clear_m) for person in people):
        return f"a person may be within {zone.keep_clear_m:g} m of it"
    return None


def _may_be_near(own: _Placed, person: _Placed, distance_m: float) -> bool:
    """Whether a person of the same run may be within distance_m, both ellipses considered as independent."""
    if own.mission_run != person.mission_run:
        return False
    apart = float(np.hypot(*(own.place_m - person.place_m)))
    return apart - float(np.hypot(own.reach_m, person.reach_m)) < distance_m


def _inside(place_m: Array, covariance_m2: Array, area_m: tuple[float, float] | None) -> bool:
    """Whether the 95 % ellipse lies in the rectangle: its half-widths along east and north are sqrt(q var)."""
    if area_m is None:
        return True
    reach_m = np.sqrt(CHI_SQUARE_2_95 * np.diag(covariance_m2))
    return bool((np.abs(place_m) + reach_m <= np.array(area_m) / 2).all())
