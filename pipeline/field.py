"""How sparse a mission's field is: what lies on a hectare of it, and how much of it a frame shows.

Both follow from the mission: panels and people a run over the area to be searched, ground sample distance and pixels.
Whatever lies there beside them comes from the recipe. Areas are pixels at the mission's ground sample distance.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from mission.mission_file import Mission
from mission.recipe import Recipe

SQUARE_METRES_PER_HECTARE = 10_000.0
# A mission that expects nobody is reckoned with one thing a run all the same: who flies it will want to know of one.
LEAST_A_RUN = 1.0


@dataclass(frozen=True)
class Field:
    """Objects a hectare by category, other things a hectare (None: not known), and the mission's frame."""

    per_hectare: Mapping[str, float]
    decoys_per_hectare: float | None
    gsd_m: float
    frame_px: tuple[int, int]

    @property
    def hectares_a_frame(self) -> float:
        """Ground in one frame of the mission's camera [ha]."""
        return self.hectares(self.frame_px[0] * self.frame_px[1])

    def hectares(self, pixels: float) -> float:
        """Ground in so many pixels [ha]."""
        return pixels * self.gsd_m**2 / SQUARE_METRES_PER_HECTARE


def field_of(mission: Mission, recipe: Recipe | None) -> Field:
    """The field of a mission: means of its panels and people a run, over the area of its site."""
    site = mission.site
    hectares = site.area_width_m * site.area_length_m / SQUARE_METRES_PER_HECTARE
    runs = {"panel": mission.panels, "person": mission.persons}
    return Field(
        {name: max(LEAST_A_RUN, (one.per_run_fewest + one.per_run_most) / 2) / hectares for name, one in runs.items()},
        None if recipe is None else sum(recipe.composition.decoys_per_hectare) / 2,
        mission.ground_sample_distance_m,
        (mission.camera.image_width_px, mission.camera.image_height_px),
    )
