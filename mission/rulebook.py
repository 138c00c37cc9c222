"""The rulebook: what earns and what costs points in an exercise (contract rulebook/1, YAML).

A report is one find that the team hands in. Each report counts for at most one object on the ground and each object for
at most one report; which goes to which is decided in the team's favour (see ``eval.points``).
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import AfterValidator, Field, model_validator

from mission.quantities import Metres, Seconds
from mission.settings import Settings, load_settings, shipped
from mission.vocabulary import ATTRIBUTES


def _earning(value: float) -> float:
    if value < 0:
        raise ValueError("be zero or more, for it is what a right report earns")
    return value


def _cost(value: float) -> float:
    if value > 0:
        raise ValueError("be zero or less: a rulebook must not reward false reports")
    return value


def _earning_time(value: float) -> float:
    if value < 0:
        raise ValueError("be zero or more")
    return value


def _positive(value: float) -> float:
    if not value > 0:
        raise ValueError("be positive")
    return value


Earning = Annotated[float, AfterValidator(_earning)]
Cost = Annotated[float, AfterValidator(_cost)]
Distance = Annotated[Metres, AfterValidator(_positive)]


class PlaceCurve(Settings):
    """How the points for the place fall with the distance from the object; ``reach`` is the curve's one length.

    step: full up to ``reach``, nothing beyond. line: full at 0, falling evenly to nothing at ``reach``.
    gaussian: exp(-d^2 / (2 reach^2)), with ``reach`` as standard deviation.
    """

    curve: Literal["step", "line", "gaussian"] = "step"
    reach_m: Distance = Field(default=3.0, alias="reach")

    def share(self, distance_m: ArrayLike) -> NDArray[np.float64]:
        """Share 0..1 of the points for the place at distances [m] of any shape; 0 where the distance is unknown (NaN)."""
        distance = np.asarray(distance_m, dtype=float)
        with np.errstate(invalid="ignore"):
            if self.curve == "step":
                share = (distance <= self.reach_m).astype(float)
            elif self.curve == "line":
                share = np.clip(1 - distance / self.reach_m, 0, 1)
            else:
                share = np.exp(-0.5 * (distance / self.reach_m) ** 2)
        return np.where(np.isnan(distance), 0.0, share)


class PanelPoints(Settings):
    """What a report of a panel earns: for being there, for each attribute read right, for all four, for the place."""

    found: Earning = 1.0
    shape: Earning = 0.0
    panel_colour: Earning = 0.0
    mark: Earning = 0.0
    mark_colour: Earning = 0.0
    all_four: Earning = 0.0
    place: Earning = 0.0

    @property
    def per_attribute(self) -> tuple[float, ...]:
        """Points per attribute, in the order of ``mission.vocabulary.ATTRIBUTES``."""
        return tuple(float(getattr(self, attribute)) for attribute in ATTRIBUTES)


class PersonPoints(Settings):
    """What a report of a person earns."""

    found: Earning = 0.0
    place: Earning = 0.0


class DeliveryPoints(Settings):
    """A find that the team matched to its wanted list stands for a delivery there: right, or at the wrong place."""

    right: Earning = 0.0
    wrong: Cost = 0.0


class TimePoints(Settings):
    """What the search costs by its length, from a run's first frame to its last, beyond ``free``."""

    per_minute: Cost = 0.0
    free_s: Annotated[Seconds, AfterValidator(_earning_time)] = Field(default=0.0, alias="free")

    def cost(self, duration_s: float) -> float:
        """Points, zero or less; nothing where the duration is unknown (NaN)."""
        over = duration_s - self.free_s
        return self.per_minute * over / 60.0 if over > 0 else 0.0


class Rulebook(Settings):
    """One rulebook. A report farther than ``counts_within_m`` from every object of its kind is a false report."""

    format: Literal["rulebook/1"] = "rulebook/1"
    name: str = Field(min_length=1, max_length=120)
    counts_within_m: Distance = Field(default=5.0, alias="counts_within")
    reports_at_most: int | None = Field(default=None, ge=1)
    panel: PanelPoints = PanelPoints()
    person: PersonPoints = PersonPoints()
    place: PlaceCurve = PlaceCurve()
    delivery: DeliveryPoints = DeliveryPoints()
    false_report: Cost = 0.0
    duplicate: Cost = 0.0
    time: TimePoints = TimePoints()

    @model_validator(mode="after")
    def _something_to_earn(self) -> Rulebook:
        earnings = [*self.panel.model_dump().values(), *self.person.model_dump().values(), self.delivery.right]
        if not any(earnings):
            raise ValueError("hold points to earn")
        return self


def load_rulebook(path_or_name: str | Path) -> Rulebook:
    """Read a rulebook file, or a shipped rulebook by its bare name; InputError in one sentence where it is not sound."""
    return load_settings(shipped("rulebooks", path_or_name), Rulebook)
