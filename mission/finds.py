"""Finds: objects on the ground, fused from sightings (contract finds/1, finds.geojson, RFC 7946 points in WGS 84).

``confirmed`` is null in everything this program writes: only a human confirms a find, and nothing here releases anything.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from mission.atomic import is_finite_number, read_json, write_json
from mission.camera import Origin
from mission.errors import must
from mission.geodesy import LocalFrame
from mission.settings import check_format
from mission.sightings import attribute_tables, ground_covariance, ground_point
from mission.vocabulary import CATEGORIES

FORMAT = "finds/1"


@dataclass(frozen=True)
class Find:
    """One object on the ground.

    ``attributes`` maps each attribute to a table value -> probability; ``sightings`` are indices into sightings.json;
    ``wanted`` is the id of the wanted panel that it is matched to; ``held`` says why it must not be used as it is.
    """

    id: str
    category: str
    confidence: float
    mission_run: str | None
    ground_enu_m: tuple[float, float, float] | None
    ground_covariance_m2: tuple[tuple[float, float], tuple[float, float]] | None
    attributes: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    sightings: tuple[int, ...] = ()
    wanted: str | None = None
    held: str | None = None
    confirmed: bool | None = None

    def best(self, attribute: str) -> tuple[str, float] | None:
        """The likeliest value of an attribute with its probability, or None where it was not read."""
        table = self.attributes.get(attribute)
        return max(table.items(), key=lambda item: item[1]) if table else None


@dataclass(frozen=True)
class Finds:
    """All finds of one reading; ``origins`` gives each run's local frame (None: unknown, no point is written)."""

    finds: tuple[Find, ...]
    bundle: str | None = None
    frame_set: str | None = None
    origins: Mapping[str | None, Origin] = field(default_factory=dict)


def write_finds(path: str | Path, content: Finds) -> None:
    """Write finds.geojson whole; a find without a place or origin has a null geometry (RFC 7946, section 3.2)."""
    write_json(
        path,
        {
            "type": "FeatureCollection",
            "format": FORMAT,
            "bundle": content.bundle,
            "frame_set": content.frame_set,
            "origins": [
                {
                    "mission_run": run,
                    "latitude_deg": o.latitude_deg,
                    "longitude_deg": o.longitude_deg,
                    "height_m": o.height_m,
                }
                for run, o in content.origins.items()
            ],
            "features": [_feature(find, content.origins.get(find.mission_run)) for find in content.finds],
        },
        indent=1,
    )


def _feature(find: Find, origin: Origin | None) -> dict[str, Any]:
    geometry = None
    if find.ground_enu_m is not None and origin is not None:
        latitude, longitude, _ = LocalFrame(origin).geodetic_from_enu(find.ground_enu_m)
        geometry = {"type": "Point", "coordinates": [float(longitude), float(latitude)]}
    covariance = find.ground_covariance_m2
    return {
        "type": "Feature",
        "id": find.id,
        "geometry": geometry,
        "properties": {
            "category": find.category,
            "confidence": find.confidence,
            "attributes": {key: dict(table) for key, table in find.attributes.items()},
            "ground_enu_m": None if find.ground_enu_m is None else list(find.ground_enu_m),
            "ground_covariance_m2": None if covariance is None else [list(row) for row in covariance],
            "mission_run": find.mission_run,
            "sightings": list(find.sightings),
            "wanted": find.wanted,
            "held": find.held,
            "confirmed": find.confirmed,
        },
    }


def read_finds(path: str | Path) -> Finds:
    """Read and validate finds.geojson; a human's ``confirmed`` comes back as it was set."""
    content = read_json(path)
    where = str(path)
    if not isinstance(content, dict) or content.get("type") != "FeatureCollection":
        got = content.get("type") if isinstance(content, dict) else type(content).__name__
        raise must("type", "be FeatureCollection", got, where=where)
    check_format(content, FORMAT, where)
    features = content.get("features")
    if not isinstance(features, list):
        raise must("features", "be a list", features, where=where)
    finds = tuple(_find(item, f"features[{i}]", where) for i, item in enumerate(features))
    return Finds(finds, content.get("bundle"), content.get("frame_set"), _origins(content.get("origins"), where))


def _origins(content: Any, where: str) -> dict[str | None, Origin]:
    found: dict[str | None, Origin] = {}
    for i, item in enumerate(content or []):
        numbers = [
            item.get(k) if isinstance(item, dict) else None for k in ("latitude_deg", "longitude_deg", "height_m")
        ]
        if not all(is_finite_number(v) for v in numbers):
            raise must(f"origins[{i}]", "give latitude_deg, longitude_deg and height_m", item, where=where)
        found[item.get("mission_run")] = Origin(*(float(v) for v in numbers if v is not None))
    return found


def _find(item: Any, place: str, where: str) -> Find:
    properties = item.get("properties") if isinstance(item, dict) else None
    if not isinstance(properties, dict):
        raise must(f"{place}.properties", "be an object", properties, where=where)
    category, confidence = properties.get("category"), properties.get("confidence")
    if category not in CATEGORIES:
        raise must(f"{place}.category", f"be one of {', '.join(CATEGORIES)}", category, where=where)
    if not is_finite_number(confidence) or not 0 <= confidence <= 1:
        raise must(f"{place}.confidence", "lie in 0..1", confidence, where=where)
    for key in ("mission_run", "wanted", "held"):
        if properties.get(key) is not None and not isinstance(properties[key], str):
            raise must(f"{place}.{key}", "be text or null", properties[key], where=where)
    if properties.get("confirmed") not in (None, True, False):
        raise must(f"{place}.confirmed", "be null, true or false", properties.get("confirmed"), where=where)
    behind = properties.get("sightings") or []
    if not isinstance(behind, list) or not all(isinstance(v, int) for v in behind):
        raise must(f"{place}.sightings", "be a list of whole numbers", behind, where=where)
    return Find(
        str(item.get("id", place)),
        category,
        float(confidence),
        properties.get("mission_run"),
        ground_point(properties.get("ground_enu_m"), place, where),
        ground_covariance(properties.get("ground_covariance_m2"), place, where),
        attribute_tables(properties.get("attributes"), place, where),
        tuple(behind),
        properties.get("wanted"),
        properties.get("held"),
        properties.get("confirmed"),
    )
