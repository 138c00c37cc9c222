"""What no figure of the scorecard may depend on: order, names and numbers, doubling; and that nothing breaks on very little.

After scikit-learn's common tests: one set of transformations over every metric, found by walking the scorecard.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from eval.score import score
from mission.finds import Finds
from mission.frame_set import FrameSet, Run, write_truth
from mission.sightings import Sightings
from tests.eval.made_case import made_frame_set, perfect_finds, perfect_sightings, worsened, written

#: Names of what was scored, and figures that count things (they double with the data).
_NAMES = {"frame_set", "bundle", "evidence_sha256", "truth_sha256", "rulebook"}
_COUNTS = {
    "n", "count", "runs", "frames", "missed", "found", "objects", "hectares", "false_finds", "chosen_on_runs", "stated_on_runs",
}  # fmt: skip
#: Blocks that are counts throughout, and what rests on the number of data or on halves of the runs.
_COUNT_BLOCKS = {"reports", "causes", "confusion", "clusters"}
_BY_NUMBER = {"ci95", "recall_ci95", "upper95", "ce90_m", "ce90_upper_m", "best_confidence", "quantiles", "why"}

Case = tuple[FrameSet, Sightings, Finds]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Case:
    frame_set = made_frame_set(tmp_path_factory.mktemp("made") / "set", runs=9)
    return frame_set, *worsened(frame_set)


def card_of(case: Case, folder: Path) -> dict[str, Any]:
    frame_set, sightings, finds = case
    folder.mkdir(parents=True, exist_ok=True)
    write_truth(folder, replace(frame_set, folder=folder))
    paths = written(folder / "answers", sightings, finds)
    return score(folder, paths[0], folder / "out", finds=paths[1], rulebook="harrow-fen-careful")


def leaves(block: Any, name: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(block, dict):
        for key, value in block.items():
            if key not in _NAMES:
                yield from leaves(value, f"{name}/{key}")
    elif isinstance(block, list):
        for i, value in enumerate(block):
            yield from leaves(value, f"{name}/{i}")
    else:
        yield name, block


def assert_equal(one: dict[str, Any], other: dict[str, Any], without: set[str] = frozenset()) -> None:  # type: ignore[assignment]
    def chosen(card: dict[str, Any]) -> dict[str, Any]:
        return {name: value for name, value in leaves(card) if not without & set(name.split("/"))}

    first, second = chosen(one), chosen(other)
    assert first.keys() == second.keys()
    for name, value in first.items():
        if isinstance(value, float):
            assert value == pytest.approx(second[name], abs=1e-9), name
        else:
            assert value == second[name], name


@pytest.fixture(scope="module")
def plain(made: Case, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    return card_of(made, tmp_path_factory.mktemp("plain"))


def test_the_order_of_sightings_and_finds_does_not_matter(made: Case, plain: dict[str, Any], tmp_path: Path) -> None:
    frame_set, sightings, finds = made
    rng = np.random.default_rng(1)
    turn = rng.permutation(len(sightings.sightings))
    place = {int(old): new for new, old in enumerate(turn)}
    moved = replace(sightings, sightings=tuple(sightings.sightings[i] for i in turn))
    told = [replace(f, sightings=tuple(place[i] for i in f.sightings)) for f in finds.finds]
    shuffled = replace(finds, finds=tuple(told[i] for i in rng.permutation(len(told))))
    assert_equal(plain, card_of((frame_set, moved, shuffled), tmp_path))


def test_the_order_of_things_and_frames_does_not_matter(made: Case, plain: dict[str, Any], tmp_path: Path) -> None:
    frame_set, sightings, finds = made
    frames = tuple(replace(frame, things=frame.things[::-1]) for frame in frame_set.frames[::-1])
    turned = replace(frame_set, frames=frames, runs=frame_set.runs[::-1])
    assert_equal(plain, card_of((turned, sightings, finds), tmp_path))


def test_ids_and_names_do_not_matter(made: Case, plain: dict[str, Any], tmp_path: Path) -> None:
    frame_set, sightings, finds = made
    frames = tuple(
        replace(
            f,
            id=f.id * 7 + 100,
            mission_run=f"flight {f.mission_run}",
            background=f"ground {f.background}",
            things=tuple(replace(t, id=t.id + 5000, object=f"thing {t.object}") for t in f.things),
        )
        for f in frame_set.frames
    )
    runs = tuple(
        Run(f"flight {r.mission_run}", tuple(replace(w, object=f"thing {w.object}") for w in r.wanted))
        for r in frame_set.runs
    )
    named = replace(frame_set, frames=frames, runs=runs, categories={9: "panel", 4: "person"})
    number = {1: 9, 2: 4}
    told = tuple(
        replace(s, image_id=s.image_id * 7 + 100, category_id=number[s.category_id]) for s in sightings.sightings
    )
    renamed = tuple(replace(f, mission_run=f"flight {f.mission_run}") for f in finds.finds)
    origins = {f"flight {run}": origin for run, origin in finds.origins.items()}
    case = named, replace(sightings, sightings=told), replace(finds, finds=renamed, origins=origins)
    assert_equal(plain, card_of(case, tmp_path), {"slices"})


def test_everything_twice_leaves_every_share_as_it_was(made: Case, plain: dict[str, Any], tmp_path: Path) -> None:
    frame_set, sightings, finds = made
    twins = tuple(
        replace(
            f, id=f.id + 1000, file_name=f"twin-{f.file_name}", mission_run=f"{f.mission_run}-twin",
            background=f"{f.background}-twin",
            things=tuple(replace(t, id=t.id + 1000, object=f"{t.object}-twin") for t in f.things),
        )
        for f in frame_set.frames
    )  # fmt: skip
    runs = tuple(
        Run(f"{r.mission_run}-twin", tuple(replace(w, object=f"{w.object}-twin") for w in r.wanted))
        for r in frame_set.runs
    )
    count = len(sightings.sightings)
    more = tuple(replace(s, image_id=s.image_id + 1000) for s in sightings.sightings)
    found = tuple(
        replace(
            f, id=f"{f.id}-twin", mission_run=f"{f.mission_run}-twin", sightings=tuple(i + count for i in f.sightings)
        )
        for f in finds.finds
    )
    origins = {**finds.origins, **{f"{run}-twin": origin for run, origin in finds.origins.items()}}
    case = (
        replace(frame_set, frames=(*frame_set.frames, *twins), runs=(*frame_set.runs, *runs)),
        replace(sightings, sightings=(*sightings.sightings, *more)),
        replace(finds, finds=(*finds.finds, *found), origins=origins),
    )
    double = card_of(case, tmp_path)
    assert_equal(plain, double, _COUNTS | _COUNT_BLOCKS | _BY_NUMBER | {"ground"})
    assert (
        double["recall_at_false_alarms"]["panel"]["at_working_confidence"]["n"]
        == 2 * (plain["recall_at_false_alarms"]["panel"]["at_working_confidence"]["n"])
    )


@pytest.mark.parametrize("nothing", ["no sightings", "no finds", "one object", "one empty frame more"])
def test_very_little_gives_numbers_or_reasons(nothing: str, tmp_path: Path) -> None:
    frame_set = made_frame_set(tmp_path / "made", runs=1 if nothing == "one object" else 8, panels=1)
    if nothing == "one object":
        frame = frame_set.frames[0]
        frame_set = replace(frame_set, frames=(replace(frame, things=frame.things[:1]),))
    if nothing == "one empty frame more":
        empty = replace(frame_set.frames[0], id=99, file_name="frames/empty.png", things=())
        frame_set = replace(frame_set, frames=(*frame_set.frames, empty))
    sightings = perfect_sightings(frame_set)
    finds = perfect_finds(frame_set, sightings)
    if nothing == "no sightings":
        sightings, finds = replace(sightings, sightings=()), replace(finds, finds=())
    if nothing == "no finds":
        finds = replace(finds, finds=())
    card = card_of((frame_set, sightings, finds), tmp_path / "card")
    for name, value in leaves(card):
        assert not isinstance(value, float) or math.isfinite(value), name
    for name, value in _nulls(card):
        assert value, f"{name} is null without a reason"


def _nulls(block: Any, name: str = "") -> Iterator[tuple[str, bool]]:
    """Every null of a block and whether its ``why`` says why; a null within a part may have its reason on the part."""
    if isinstance(block, dict):
        for key, value in block.items():
            if value is None:
                yield f"{name}/{key}", key in block.get("why", {})
            elif key != "why":
                yield from _nulls(value, f"{name}/{key}")
    elif isinstance(block, list):
        for i, value in enumerate(block):
            yield from _nulls(value, f"{name}/{i}")
