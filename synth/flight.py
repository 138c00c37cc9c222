"""Plans of flights: which frames are taken from where, what lies below them, what is wanted.

A run is one flight over one layout. Everything about it is drawn from its own counter-based generator (recipe seed, run
number), everything about a frame from another (recipe seed, frame number), so that frames can be drawn by any worker in any
order.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from mission.camera import Camera, View, ground_from_pixels
from mission.mission_file import Mission
from mission.recipe import Recipe
from mission.vocabulary import ATTRIBUTES
from mission.wanted import WantedPanel
from synth.capture import CaptureSpec, sample_capture
from synth.clutter import Decoys, choose_decoys, lay_decoys
from synth.ground import GroundSpec, sample_ground
from synth.panels import sample_panels
from synth.people import sample_people
from synth.photo_ground import GroundBank, PhotoGroundSpec
from synth.scene import Array, Layout, in_picture, join_layouts

# Numbers of runs and frames must never meet in the generators' keys.
_RUN_KEYS = 1 << 40
_LEAST_APART_M = 2.5
_EPOCH = "2030-06-01T{:02d}:{:02d}:{:02d}Z"


@dataclass(frozen=True)
class GroundPatch:
    """The plane of a run's ground: pixels x right of the first lane's heading, y against it, origin at ``corner_enu_m``."""

    spec: GroundSpec | PhotoGroundSpec
    heading_deg: float
    corner_enu_m: tuple[float, float]
    size_px: tuple[int, int]
    gsd_m: float

    def pixel(self, east_m: float, north_m: float) -> tuple[float, float]:
        """(x, y) of a point of the ground."""
        right, ahead = _along(self.heading_deg, east_m - self.corner_enu_m[0], north_m - self.corner_enu_m[1])
        return right / self.gsd_m, -ahead / self.gsd_m


@dataclass(frozen=True)
class RunPlan:
    """One run: its layout, ground, light, wanted list, and where its frames were planned."""

    name: str
    number: int
    layout: Layout
    ground: GroundPatch
    background: str
    capture: CaptureSpec
    wanted: tuple[WantedPanel, ...]
    objects: tuple[str, ...]
    stations: tuple[tuple[float, float, float], ...]
    """East, north and heading of each frame."""
    decoys: Layout
    """What of the layout is no target; its ``picture`` numbers the things, as ``decoy_kinds`` does."""
    decoy_kinds: tuple[str, ...]


@dataclass(frozen=True)
class FramePlan:
    """One frame: the true view, the recorded one, the capture; ``flipped`` where it was flown against the first lane."""

    number: int
    true_view: View
    recorded_view: View
    capture: CaptureSpec
    flipped: bool


def run_of_frame(recipe: Recipe, frame: int) -> tuple[int, int]:
    """Run number and place in the run of a frame."""
    return divmod(frame, recipe.flight.frames_per_run)


def plan_run(recipe: Recipe, mission: Mission, seed: int, number: int, bank: GroundBank | None) -> RunPlan:
    """Draw one run, the same whatever else is rendered."""
    rng = np.random.Generator(np.random.Philox(key=np.array([seed, _RUN_KEYS + number], dtype=np.uint64)))
    name = f"run-{number + 1:03d}"
    stations, lane = _stations(rng, recipe, mission)
    layout, objects, decoys, decoy_kinds = _lay_out(rng, recipe, mission, lane, name)
    ground, background = _ground(rng, recipe, mission, lane, bank, f"{name}-ground-{seed}")
    return RunPlan(
        name,
        number,
        layout,
        ground,
        background,
        sample_capture(rng, recipe.capture, mission),
        _wanted(rng, recipe, mission, layout, objects),
        objects,
        tuple(stations),
        decoys,
        decoy_kinds,
    )


def plan_frame(recipe: Recipe, mission: Mission, seed: int, number: int, run: RunPlan) -> FramePlan:
    """Draw one frame's pose and exposure."""
    rng = np.random.Generator(np.random.Philox(key=np.array([seed, number], dtype=np.uint64)))
    _, place = run_of_frame(recipe, number)
    east, north, heading = run.stations[place]
    spread, flight = recipe.flight.attitude_spread_deg, mission.flight
    view = mission.view_at(east, north, heading)
    second = (9 + run.number % 8) * 3600 + 600 + 2 * place
    pitch, roll, yaw = rng.normal(0, [spread, spread, 1.5])
    height = flight.height_m + rng.normal(0, 0.3)
    true = replace(
        view,
        position_enu_m=(east + rng.normal(0, 0.4), north + rng.normal(0, 0.4), height),
        heading_deg=(heading + yaw) % 360,
        pitch_deg=flight.pitch_deg + pitch,
        roll_deg=flight.roll_deg + roll,
        time=_EPOCH.format(second // 3600, second % 3600 // 60, second % 60),
    )
    e, n, u = (
        float(p + d) for p, d in zip(true.position_enu_m, rng.normal(0, flight.position_sigma_m, 3), strict=True)
    )
    turns = rng.normal(0, [flight.attitude_sigma_deg, flight.attitude_sigma_deg, flight.heading_sigma_deg])
    recorded = replace(
        true,
        position_enu_m=(e, n, u),
        pitch_deg=float(true.pitch_deg + turns[0]),
        roll_deg=float(true.roll_deg + turns[1]),
        heading_deg=float((true.heading_deg + turns[2]) % 360),
    )
    capture = replace(
        run.capture,
        seed=int(rng.integers(2**62)),
        exposure=run.capture.exposure * float(np.exp(rng.normal(0, 0.05))),
        blur_sigma_px=float(run.capture.blur_sigma_px * np.exp(rng.normal(0, 0.1))),
    )
    flipped = abs((heading - run.ground.heading_deg + 180) % 360 - 180) > 90
    return FramePlan(number, true, recorded, capture, flipped)


@dataclass(frozen=True)
class _Lane:
    """The rectangle that a run's frames cover: middle, heading of the first lane, half sizes across and along [m]."""

    east_m: float
    north_m: float
    heading_deg: float
    half_across_m: float
    half_along_m: float
    half_frame_m: tuple[float, float]

    def point(self, across_m: Array, along_m: Array) -> Array:
        """World points [N, 3] on the ground."""
        h = math.radians(self.heading_deg)
        east = self.east_m + across_m * math.cos(h) + along_m * math.sin(h)
        north = self.north_m - across_m * math.sin(h) + along_m * math.cos(h)
        return np.stack([east, north, np.zeros_like(east)], axis=1)


def _along(heading_deg: float, east_m: float, north_m: float) -> tuple[float, float]:
    """Components to the right of a heading and along it."""
    h = math.radians(heading_deg)
    return east_m * math.cos(h) - north_m * math.sin(h), east_m * math.sin(h) + north_m * math.cos(h)


def _stations(
    rng: np.random.Generator, recipe: Recipe, mission: Mission
) -> tuple[list[tuple[float, float, float]], _Lane]:
    """Where the frames of a run are taken, lane by lane to and fro, and the rectangle that they cover."""
    camera, flight = mission.camera.as_camera(), mission.flight
    across_m, along_m = _footprint_m(camera, flight.height_m)
    lanes = min(recipe.flight.lanes_per_run, recipe.flight.frames_per_run)
    per_lane = math.ceil(recipe.flight.frames_per_run / lanes)
    step, aside = along_m * (1 - flight.forward_overlap), across_m * (1 - flight.side_overlap)
    half_along = ((per_lane - 1) * step + along_m) / 2
    half_across = ((lanes - 1) * aside + across_m) / 2
    heading = (flight.heading_deg + 180.0 * int(rng.integers(2))) % 360
    room_e = max(mission.site.area_width_m / 2 - half_across, 0)
    room_n = max(mission.site.area_length_m / 2 - half_along, 0)
    east, north = rng.uniform(-room_e, room_e), rng.uniform(-room_n, room_n)
    lane = _Lane(float(east), float(north), heading, half_across, half_along, (across_m / 2, along_m / 2))
    stations = []
    for k in range(recipe.flight.frames_per_run):
        row, place = divmod(k, per_lane)
        forth = row % 2 == 0
        along = ((place if forth else per_lane - 1 - place) - (per_lane - 1) / 2) * step
        ((e, n, _),) = lane.point(np.array([(row - (lanes - 1) / 2) * aside]), np.array([along]))
        stations.append((float(e), float(n), heading if forth else (heading + 180) % 360))
    return stations, lane


def _footprint_m(camera: Camera, height_m: float) -> tuple[float, float]:
    fx, fy = camera.focal_px
    return camera.image_width_px * height_m / fx, camera.image_height_px * height_m / fy


def _lay_out(
    rng: np.random.Generator, recipe: Recipe, mission: Mission, lane: _Lane, name: str
) -> tuple[Layout, tuple[str, ...], Layout, tuple[str, ...]]:
    """Panels, people and other things of a run, and the ids of the targets; the other things alone, and their kinds."""
    panels = int(rng.integers(mission.panels.per_run_fewest, mission.panels.per_run_most + 1))
    persons = int(rng.integers(mission.persons.per_run_fewest, mission.persons.per_run_most + 1))
    # Panels keep away from the rim of the ground covered, so that nearly all of them are seen.
    inner = (0.88 * lane.half_across_m, lane.half_along_m - 0.12 * lane.half_frame_m[1])
    places = _apart(rng, panels + persons, inner)
    ground = lane.point(places[:, 0], places[:, 1])
    for k in range(panels, panels + persons):
        if panels and rng.random() < recipe.composition.beside_person_share:
            angle, away = rng.uniform(0, 2 * np.pi), rng.uniform(0.6, 1.2)
            ground[k, :2] = ground[rng.integers(panels), :2] + away * np.array([np.cos(angle), np.sin(angle)])
    hectares = 4 * lane.half_across_m * lane.half_along_m / 1e4
    decoys = int(rng.poisson(rng.uniform(*recipe.composition.decoys_per_hectare) * hectares))
    spread = rng.uniform(-1, 1, (decoys, 2)) * np.array([lane.half_across_m, lane.half_along_m])
    zeros = np.zeros(len(ground), dtype=np.int64)
    targets = [
        sample_panels(rng, zeros[:panels], ground[:panels], mission, recipe),
        sample_people(rng, zeros[panels:], ground[panels:], recipe.persons),
    ]
    chosen = choose_decoys(
        rng, np.zeros(decoys, dtype=np.int64), lane.point(spread[:, 0], spread[:, 1]), recipe, targets=(zeros, ground)
    )
    # Laid out as if each were in a picture of its own, so that every part tells which thing it belongs to.
    things = lay_decoys(rng, Decoys(np.arange(len(chosen.kind)), chosen.ground, chosen.kind), mission, recipe)
    layout = join_layouts([*targets, in_picture(things, 0)])
    objects = [f"{name}/panel-{k + 1}" for k in range(panels)] + [f"{name}/person-{k + 1}" for k in range(persons)]
    return layout, tuple(objects), things, chosen.names


def _apart(rng: np.random.Generator, count: int, half: tuple[float, float]) -> Array:
    """Points [N, 2] in a rectangle, at least _LEAST_APART_M from one another where there is room."""
    found: list[Array] = []
    for _ in range(count):
        point = rng.uniform(-1, 1, 2) * np.array(half)
        for _ in range(200):
            if all(np.hypot(*(point - other)) >= _LEAST_APART_M for other in found):
                break
            point = rng.uniform(-1, 1, 2) * np.array(half)
        found.append(point)
    return np.array(found).reshape(-1, 2)


def _ground(
    rng: np.random.Generator, recipe: Recipe, mission: Mission, lane: _Lane, bank: GroundBank | None, name: str
) -> tuple[GroundPatch, str]:
    gsd_m = mission.ground_sample_distance_m
    # A little beyond the lanes, because frames are never taken quite upright.
    margin = 1.15
    size = (
        math.ceil(2 * margin * lane.half_along_m / gsd_m),
        math.ceil(2 * margin * lane.half_across_m / gsd_m),
    )
    ((east, north, _),) = lane.point(np.array([-margin * lane.half_across_m]), np.array([margin * lane.half_along_m]))
    if bank is None or rng.random() >= recipe.flight.real_share:
        spec: GroundSpec | PhotoGroundSpec = sample_ground(rng, recipe.ground, gsd_m, size)
        background = name
    else:
        spec = bank.sample(rng, *size, blendings=recipe.ground.blending)
        background = bank.backgrounds(spec)
    return GroundPatch(spec, lane.heading_deg, (float(east), float(north)), size, gsd_m), background


def _wanted(
    rng: np.random.Generator, recipe: Recipe, mission: Mission, layout: Layout, objects: tuple[str, ...]
) -> tuple[WantedPanel, ...]:
    """Some of the panels, some with an attribute left open where that leaves no doubt which one is meant."""
    vocabulary = mission.panels.vocabulary
    rows = [tuple(int(v) for v in row) for row in layout.targets.attributes[layout.targets.category == 0]]
    count = round(recipe.flight.wanted_share * len(rows))
    wanted = []
    for place, k in enumerate(sorted(int(v) for v in rng.permutation(len(rows))[:count])):
        values: dict[str, str | None] = {key: vocabulary.values(key)[rows[k][i]] for i, key in enumerate(ATTRIBUTES)}
        left_out = int(rng.integers(4))
        others = [row for j, row in enumerate(rows) if j != k]
        clear = all(any(row[i] != rows[k][i] for i in range(4) if i != left_out) for row in others)
        if rng.random() < 0.2 and clear:
            values[ATTRIBUTES[left_out]] = None
        wanted.append(WantedPanel(f"want-{place + 1}", **values, object=objects[k]))
    return tuple(wanted)


def ground_middle(view: View) -> tuple[float, float]:
    """East and north of the ground at a frame's middle."""
    camera = view.camera
    point = ground_from_pixels(view, [camera.image_width_px / 2, camera.image_height_px / 2])
    return float(point[0]), float(point[1])
