"""Folders of photographs that serve as ground: one flight, or a folder with one folder for each flight, and their scales.

A *flight* is a folder of photographs of one day and one site: photographs of it are never unseen ground for one another.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from mission.errors import InputError, must
from mission.photographs import SUFFIXES, GroundScale, list_photographs, parse_gsd, scale_or_reason

#: One ground sample distance [m] for all photographs, or one for each flight by the name of its folder.
GroundScales = float | Mapping[str, float]


@dataclass(frozen=True)
class Flight:
    """Photographs of one flight; ``name`` is its folder's."""

    name: str
    photographs: tuple[Path, ...]


def list_flights(folder: str | Path, only: Collection[str] | None = None) -> tuple[Flight, ...]:
    """Flights of a folder by name: the folder itself where photographs lie in it, else each folder in it that holds some.

    ``only`` keeps the flights of those names. InputError where there is none.
    """
    place = Path(folder)
    if place.is_file() or not place.is_dir() or _holds_photographs(place):
        name = place.resolve().name if place.is_dir() else place.resolve().parent.name
        flights = [Flight(name, tuple(list_photographs(place)))]
    else:
        below = sorted(p for p in place.iterdir() if p.is_dir() and not p.name.startswith("."))
        found = [(p.name, _photographs_below(p)) for p in below]
        flights = [Flight(name, photographs) for name, photographs in found if photographs]
    if not flights:
        suffixes = ", ".join(SUFFIXES)
        raise InputError(
            f"The folder {place} must hold photographs ({suffixes}) or folders of them, one for each flight. Got none instead."
        )
    if only is None:
        return tuple(flights)
    _refuse_unknown("flights asked for", only, [flight.name for flight in flights])
    return tuple(flight for flight in flights if flight.name in only)


def _holds_photographs(place: Path) -> bool:
    return any(p.suffix.lower() in SUFFIXES and not p.name.startswith(".") and p.is_file() for p in place.iterdir())


def _photographs_below(place: Path) -> tuple[Path, ...]:
    try:
        return tuple(list_photographs(place, subfolders=True))
    except InputError:
        return ()  # a folder of something else


def parse_ground_scales(text: str) -> GroundScales:
    """Scales from an option: "1.7cm" for all, or "building-site=1.7cm,park=2cm" for flights by the name of their folder."""
    if "=" not in text:
        return parse_gsd(text)
    scales: dict[str, float] = {}
    for part in text.split(","):
        name, sign, gsd = part.partition("=")
        name = name.strip()
        if not sign or not name or name in scales:
            raise must("ground sample distance", 'be one length, or "flight=length,flight=length"', text)
        scales[name] = parse_gsd(gsd.strip())
    return scales


def known_scales(flights: tuple[Flight, ...], scales: GroundScales | None) -> dict[str, float | None]:
    """The given ground sample distance [m] of each flight, None where none is given; unknown flights are refused."""
    if isinstance(scales, Mapping):
        _refuse_unknown("ground sample distance", scales, [flight.name for flight in flights])
        return {flight.name: scales.get(flight.name) for flight in flights}
    return {flight.name: scales for flight in flights}


def ground_scale(photograph: Path, given_gsd_m: float | None, mission_gsd_m: float, coarsest: float) -> GroundScale:
    """Scale of a photograph that is to serve as ground.

    InputError where it is unknown, or coarser than ``coarsest`` times the mission's ground sample distance.
    """
    scale = scale_or_reason(photograph, gsd_m=given_gsd_m)
    if not isinstance(scale, GroundScale):
        raise InputError(
            f"The scale of the photograph {photograph} must be given (as an option or in a ground.yaml beside it) because"
            f" {scale}. Got none instead."
        )
    if scale.gsd_m > coarsest * mission_gsd_m:
        raise InputError(
            f"The photograph {photograph} must show at least one pixel each {coarsest * mission_gsd_m * 100:.2g} cm to serve"
            f" this mission as ground. Got one each {scale.gsd_m * 100:.3g} cm ({scale.source}) instead."
        )
    return scale


def _refuse_unknown(what: str, names: Collection[str], known: list[str]) -> None:
    for name in names:
        if name not in known:
            near = get_close_matches(name, known, 1)
            hint = f" (did you mean '{near[0]}'?)" if near else ""
            raise must(what, f"name flights that are there ({', '.join(known)})", f"'{name}'{hint}")
