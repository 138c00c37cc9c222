"""Which ground was looked at, how often and how finely, and which was not: coverage.geojson beside the finds.

Ground is counted as looked at where the smallest panel would be at least LEAST_PIXELS_ACROSS pixels across. Areas
are computed in local east-north metres and written as RFC 7946 polygons: WGS 84 longitude, latitude; exterior rings
counter-clockwise, holes clockwise (section 3.1.6).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from mission.camera import Origin, View, ground_from_pixels
from mission.geodesy import LocalFrame
from pipeline.hold import LEAST_PIXELS_ACROSS
from pipeline.locate import jacobian_by_pixel

FORMAT = "coverage/1"
# Looks are told apart up to this number; the last class means "this many or more".
MOST_LOOKS = 5
# Ground on which a panel is smaller than this share of what is needed is not even counted as seen coarsely.
COARSE_SHARE = 1 / 3
# Where the size of the panels is not known, ground coarser than this [m/px] is not counted (a 0.5 m panel at 24 px).
COARSEST_GSD_M = 0.02
# Cells per side into which a frame is cut where its scale changes over it: the edge of the fine ground is this exact.
_CELLS = 24
# Vertices are snapped to this grid, which keeps slivers of rounding out of the areas.
_GRID_M = 0.001
# Holes smaller than this are no hole in a search for panels of half a metre.
LEAST_HOLE_M2 = 0.25


@dataclass(frozen=True)
class FrameGround:
    """The ground of one frame: polygons east-north [m] and the pixels across a panel there (None: size not known)."""

    image_id: int
    file_name: str
    mission_run: str | None
    fine: BaseGeometry
    coarse: BaseGeometry
    gsd_m: float | None
    pixels_across: float | None


def frame_ground(
    view: View, panel_m: float | None, *, image_id: int = 0, file_name: str = "", mission_run: str | None = None
) -> FrameGround:
    """The ground that one frame shows finely (a panel at least LEAST_PIXELS_ACROSS across) and coarsely.

    panel_m is the size of the smallest panel; None: unknown, and only ground coarser than COARSEST_GSD_M is left out.
    """
    finest = COARSEST_GSD_M if panel_m is None else panel_m / LEAST_PIXELS_ACROSS
    x = np.linspace(0, view.camera.image_width_px, _CELLS + 1)
    y = np.linspace(0, view.camera.image_height_px, _CELLS + 1)
    nodes = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    ground = ground_from_pixels(view, nodes)[:, :2].reshape(_CELLS + 1, _CELLS + 1, 2)
    scale = _metres_per_pixel(view, nodes).reshape(_CELLS + 1, _CELLS + 1)
    fine = _ground_polygon(ground, scale <= finest)
    seen = fine if (scale <= finest).all() else _ground_polygon(ground, scale <= finest / COARSE_SHARE)
    middle = float(scale[_CELLS // 2, _CELLS // 2])
    gsd = middle if np.isfinite(middle) else None
    across = None if panel_m is None or gsd is None else panel_m / gsd
    return FrameGround(image_id, file_name, mission_run, fine, seen.difference(fine), gsd, across)


def _metres_per_pixel(view: View, pixels: NDArray[np.float64]) -> NDArray[np.float64]:
    """Ground length of a pixel [m] in the direction in which it is longest, [N]; infinite at and above the horizon."""
    jacobian = jacobian_by_pixel(view, pixels)
    known = np.isfinite(jacobian).all(axis=(1, 2))
    scale = np.full(len(pixels), np.inf)
    if known.any():
        scale[known] = np.linalg.norm(jacobian[known], ord=2, axis=(1, 2))
    return scale


def _ground_polygon(ground: NDArray[np.float64], good: NDArray[np.bool_]) -> BaseGeometry:
    """Polygon of the cells whose four nodes are good; ground [n, n, 2], good [n, n]."""
    if good.all():
        ring = np.concatenate([ground[0, :-1], ground[:-1, -1], ground[-1, :0:-1], ground[:0:-1, 0]])
        return shapely.set_precision(shapely.Polygon(ring).simplify(_GRID_M).buffer(0), _GRID_M)
    corners = [ground[:-1, :-1], ground[:-1, 1:], ground[1:, 1:], ground[1:, :-1]]
    whole = good[:-1, :-1] & good[:-1, 1:] & good[1:, 1:] & good[1:, :-1]
    cells = np.stack(corners, axis=2)[whole]
    return shapely.union_all(shapely.polygons(cells), grid_size=_GRID_M)


def looks(polygons: Iterable[BaseGeometry], most: int = MOST_LOOKS) -> list[BaseGeometry]:
    """Ground looked at exactly once, twice, ..., and `most` times or more, as a list of `most` disjoint geometries."""
    levels: list[BaseGeometry] = [shapely.Polygon()] * most
    for polygon in polygons:
        for k in range(most - 1, 0, -1):
            again = shapely.intersection(levels[k - 1], polygon, grid_size=_GRID_M)
            levels[k] = shapely.union(levels[k], again, grid_size=_GRID_M)
        levels[0] = shapely.union(levels[0], polygon, grid_size=_GRID_M)
    above = [*levels[1:], shapely.Polygon()]
    return [shapely.difference(level, more, grid_size=_GRID_M) for level, more in zip(levels, above, strict=True)]


def search_area(area_m: tuple[float, float]) -> BaseGeometry:
    """The rectangle to search, (width east, length north) [m], centred on the origin."""
    width, length = area_m
    return shapely.box(-width / 2, -length / 2, width / 2, length / 2)


@dataclass(frozen=True)
class RunCoverage:
    """Coverage of one flight in east-north metres; by_looks[k] was looked at k + 1 times. ``searched`` None: not known."""

    mission_run: str | None
    frames: tuple[FrameGround, ...]
    by_looks: tuple[BaseGeometry, ...]
    coarse: BaseGeometry
    searched: BaseGeometry | None
    holes: tuple[BaseGeometry, ...]

    @property
    def covered_share(self) -> float | None:
        """Share of the search area looked at finely enough, or None where there is no search area."""
        if self.searched is None:
            return None
        return 1.0 - sum(hole.area for hole in self.holes) / self.searched.area


def cover(frames: Sequence[FrameGround], area_m: tuple[float, float] | None) -> RunCoverage:
    """Coverage of the frames of one run."""
    run = frames[0].mission_run if frames else None
    by_looks = looks(frame.fine for frame in frames)
    fine = shapely.union_all([frame.fine for frame in frames], grid_size=_GRID_M)
    coarse = shapely.union_all([frame.coarse for frame in frames], grid_size=_GRID_M).difference(fine)
    searched = None if area_m is None else search_area(area_m)
    gaps = [] if searched is None else _polygons(searched.difference(fine))
    holes = tuple(gap for gap in gaps if gap.area >= LEAST_HOLE_M2)
    return RunCoverage(run, tuple(frames), tuple(by_looks), coarse, searched, holes)


def _polygons(geometry: BaseGeometry) -> list[shapely.Polygon]:
    parts = getattr(geometry, "geoms", [geometry])
    return [part for part in parts if isinstance(part, shapely.Polygon) and not part.is_empty]


def geojson_geometry(geometry: BaseGeometry, origin: Origin) -> dict[str, Any] | None:
    """RFC 7946 geometry (Polygon or MultiPolygon, longitude and latitude [deg]) of east-north metres; None where empty."""
    local = LocalFrame(origin)

    def placed(points: NDArray[np.float64]) -> NDArray[np.float64]:
        ground = np.concatenate([points, np.zeros((len(points), 1))], axis=1)
        geodetic = local.geodetic_from_enu(ground)
        return np.round(geodetic[:, 1::-1], 9)

    polygons = [shapely.geometry.polygon.orient(p, 1.0) for p in _polygons(shapely.transform(geometry, placed))]
    if not polygons:
        return None
    shape = polygons[0] if len(polygons) == 1 else shapely.MultiPolygon(polygons)
    return _plain(shapely.geometry.mapping(shape))


def _plain(mapping: Any) -> Any:
    """Tuples to lists, as JSON has them."""
    if isinstance(mapping, dict):
        return {key: _plain(value) for key, value in mapping.items()}
    return [_plain(v) for v in mapping] if isinstance(mapping, tuple | list) else mapping


def coverage_to_json(runs: Sequence[tuple[RunCoverage, Origin | None]], frames_without_pose: int) -> dict[str, Any]:
    """The content of coverage.geojson. Runs without an origin are summed up but cannot be drawn on a map."""
    features = [feature for run, origin in runs if origin is not None for feature in _features(run, origin)]
    return {
        "type": "FeatureCollection",
        "format": FORMAT,
        "pixels_needed_across": LEAST_PIXELS_ACROSS,
        "frames_without_pose": frames_without_pose,
        "runs": [_summary(run) for run, _ in runs],
        "features": features,
    }


def _summary(run: RunCoverage) -> dict[str, Any]:
    return {
        "mission_run": run.mission_run,
        "frames": len(run.frames),
        "looked_at_m2": _area(shapely.union_all(list(run.by_looks))),
        "coarse_only_m2": _area(run.coarse),
        "search_area_m2": None if run.searched is None else _area(run.searched),
        "covered_share": None if run.covered_share is None else round(run.covered_share, 4),
        "holes": len(run.holes) if run.searched is not None else None,
    }


def _features(run: RunCoverage, origin: Origin) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []

    def add(kind: str, geometry: BaseGeometry, **properties: Any) -> None:
        placed = geojson_geometry(geometry, origin)
        if placed is None:
            return
        named = {"kind": kind, "mission_run": run.mission_run, "area_m2": _area(geometry), **properties}
        found.append({"type": "Feature", "geometry": placed, "properties": named})

    if run.searched is not None:
        add("search area", run.searched)
    for k, part in enumerate(run.by_looks, start=1):
        add("looks", part, looks=k, or_more=k == MOST_LOOKS)
    add("seen too coarsely", run.coarse, looks=0)
    for hole in run.holes:
        add("hole", hole, looks=0)
    for frame in run.frames:
        across = None if frame.pixels_across is None else round(frame.pixels_across, 1)
        gsd = None if frame.gsd_m is None else round(frame.gsd_m, 5)
        names = {"image_id": frame.image_id, "file_name": frame.file_name}
        add("frame", frame.fine, **names, ground_sample_distance_m=gsd, pixels_across_panel=across)
    return found


def _area(geometry: BaseGeometry) -> float:
    return round(float(geometry.area), 2)
