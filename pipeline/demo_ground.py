"""The demo's photographs, divided: some to train on, others to be judged on, by flight where there are several."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import yaml

from mission.atomic import write_text
from mission.errors import InputError
from mission.ground_folder import Flight, GroundScales, known_scales, list_flights
from mission.photographs import GROUND_FILE, scale_or_reason

Divided = dict[str, tuple[Path, ...]]


def split_ground(folder: Path, ground: str | Path, scales: GroundScales | None) -> tuple[Path | None, Path, str]:
    """Two folders of links to the photographs, to train on (None where none is left) and to be judged on, and what to say.

    Of several flights every third one is kept for judging, the largest never; of one flight every third photograph. A
    single photograph is kept for judging. Each folder of links has its scales beside it. InputError where a scale is unknown.
    """
    flights = list_flights(ground)
    given = known_scales(flights, scales)
    for name, part in zip(("training", "judging"), divided(flights), strict=True):
        for flight, photographs in part.items():
            _link(folder / name / flight, photographs, given[flight])
    training, judging = divided(flights)
    kept = sum(len(photographs) for photographs in judging.values())
    counted = f"{sum(len(photographs) for photographs in training.values())} to train on, {kept} kept for judging"
    if len(flights) > 1:
        said = f"Photographs as ground: {counted} (the flights {', '.join(judging)})."
    else:
        said = (
            f"Photographs as ground: {counted}. Both come from one folder: where that is one flight, the figures are kinder"
            " than on a new field."
        )
    return (folder / "training" if training else None), folder / "judging", said


def divided(flights: Sequence[Flight]) -> tuple[Divided, Divided]:
    """Photographs by flight: to train on, and to be judged on."""
    if len(flights) > 1:
        by_size = sorted(flights, key=lambda flight: (-len(flight.photographs), flight.name))
        judging = by_size[1::3]
        return (
            {flight.name: flight.photographs for flight in flights if flight not in judging},
            {flight.name: flight.photographs for flight in judging},
        )
    flight = flights[0]
    held_out = flight.photographs[1::3] or flight.photographs
    training = tuple(path for path in flight.photographs if path not in held_out)
    return ({flight.name: training} if training else {}), {flight.name: held_out}


def _link(part: Path, photographs: tuple[Path, ...], given_gsd_m: float | None) -> None:
    scales: dict[str, float] = {}
    same_names = Counter(path.name for path in photographs)
    part.mkdir(parents=True, exist_ok=True)
    for path in photographs:
        scale = scale_or_reason(path, gsd_m=given_gsd_m)
        if isinstance(scale, str):
            raise InputError(
                f"The scale of {path} must be known (--ground-gsd, or {GROUND_FILE} beside it)."
                f" Got none, because {scale}, instead."
            )
        link = part / (path.name if same_names[path.name] == 1 else f"{path.parent.name}-{path.name}")
        if not link.is_symlink():
            link.symlink_to(path.resolve())
        scales[link.name] = scale.gsd_m
    write_text(part / GROUND_FILE, yaml.safe_dump({"format": "ground/1", "photographs": scales}))
