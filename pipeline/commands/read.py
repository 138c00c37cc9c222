"""``panelscout read BUNDLE FRAMES --out DIR``: what lies in the frames, where it is, and which of it was asked for."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text

from mission.cautions import SHORT
from mission.errors import InputError
from mission.finds import Find, Finds

if TYPE_CHECKING:
    from pipeline.bundle import BundleRecord


@click.command("read")
@click.argument("bundle", required=False)
@click.argument("frames", required=False, type=click.Path(path_type=Path))
@click.option("--out", required=True, type=click.Path(path_type=Path), help="New folder for what is read.")
@click.option(
    "--mission", metavar="MISSION", help="Mission file or shipped name: camera, vocabulary, zone, wanted list."
)
@click.option("--wanted", type=click.Path(path_type=Path), help="Wanted list (YAML) in place of the mission's.")
@click.option("--rematch", is_flag=True, help="Only match the finds already in --out to --wanted; runs no model.")
@click.option("--device", default="auto", show_default=True, help="auto, cpu, cuda or cuda:NUMBER.")
@click.option("--min-confidence", type=float, help="In place of the bundle's working confidences (0.01 to 1).")
@click.option(
    "--adapt",
    type=int,
    metavar="N",
    help="First adapt the detector's statistics to N of the frames (5 to 50), unlabelled.",
)
@click.option("--show-people", is_flag=True, help="Do not blur people in the previews.")
@click.option("--no-previews", is_flag=True, help="Draw no previews.")
def read_command(
    bundle: str | None,
    frames: Path | None,
    out: Path,
    mission: str | None,
    wanted: Path | None,
    rematch: bool,
    device: str,
    min_confidence: float | None,
    adapt: int | None,
    show_people: bool,
    no_previews: bool,
) -> None:
    """Find and read what lies in FRAMES with BUNDLE, place it on the ground, and match it to the wanted list.

    FRAMES is a frame set, a folder of photographs of one flight, or one photograph. With --rematch an earlier
    reading in --out is matched to another wanted list, and neither BUNDLE nor FRAMES is needed.
    """
    console = Console()
    if rematch:
        if wanted is None:
            raise click.UsageError("The option '--rematch' must come with --wanted FILE. Got no wanted list instead.")
        from pipeline.rematch import rematch as match_again

        print_finds(console, match_again(out, wanted))
        console.print(Text(SHORT, style="yellow"))
        return
    if bundle is None or frames is None:
        raise click.UsageError("The command must be given BUNDLE and FRAMES. Got only one or none instead.")
    _read(console, bundle, frames, out, mission, wanted, device, min_confidence, adapt, show_people, not no_previews)


def _read(
    console: Console,
    bundle: str,
    frames: Path,
    out: Path,
    mission_name: str | None,
    wanted: Path | None,
    device: str,
    min_confidence: float | None,
    adapt: int | None,
    show_people: bool,
    previews: bool,
) -> None:
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    from mission.mission_file import load_mission
    from pipeline.bundle import load_bundle
    from pipeline.read import read

    if not frames.exists():
        raise InputError(
            f"The frames {frames} must be a frame set, a folder of photographs or one. Got nothing instead."
        )
    mission = None if mission_name is None else load_mission(mission_name)
    loaded = load_bundle(bundle, device)
    columns = (TextColumn("reading"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task("reading", total=None)
        reading = read(
            loaded,
            frames,
            out,
            mission=mission,
            wanted=wanted,
            min_confidence=min_confidence,
            adapt=adapt,
            show_people=show_people,
            previews=previews,
            on_progress=lambda done, total: progress.update(task, completed=done, total=total),
        )
    print_finds(console, reading.finds)
    console.print(f"{len(reading.sightings.sightings)} sightings in {reading.frames} frames, written to {out}.")
    if min_confidence is None:
        for sentence in expected(loaded.record):
            console.print(Text(sentence))
    if mission is not None and bars_never_learnt(loaded.record.training, mission.panels.mark_turn):
        console.print(
            Text("The mission's marks bear bars, which the bundle never learnt: they do not help it.", style="yellow")
        )
    if adapt:
        console.print(f"The detector's statistics were adapted to {adapt} of the frames, for this reading only.")
    if reading.frames_without_pose:
        console.print(
            f"{reading.frames_without_pose} frames have no known pose: what they show has no place on the ground."
        )
    for run, share in reading.covered_share.items():
        if share is not None:
            console.print(f"{run or 'The flight'}: {share:.0%} of the search area looked at finely enough.")
    if reading.previews_failed:
        console.print(Text(f"{reading.previews_failed} previews could not be drawn.", style="yellow"))
    console.print(Text(SHORT, style="yellow"))


def expected(record: BundleRecord) -> list[str]:
    """What the bundle's held-out chips promise at its working confidences, a sentence a category."""
    from pipeline.working_confidence import sentences

    return sentences({name: one.at_work() for name, one in record.at_work.items()})


def bars_never_learnt(training: Mapping[str, Any], mark_turn: str) -> bool:
    """Whether marks bear base bars that a bundle, by the record of its training, has not seen."""
    return mark_turn == "base-bar" and training.get("mark_turn") != "base-bar"


def print_finds(console: Console, finds: Finds) -> None:
    """A table of the finds, the wanted ones first."""
    if not finds.finds:
        console.print("Nothing was found at the working confidence.")
        return
    table = Table(box=SIMPLE_HEAD)
    for heading in ("find", "run", "what it looks like", "sure", "east, north", "asked for as", "held because"):
        table.add_column(heading, overflow="fold")
    for find in sorted(finds.finds, key=lambda f: (f.mission_run or "", f.wanted is None)):
        table.add_row(*(Text(cell) for cell in _cells(find)))
    console.print(table)


def _cells(find: Find) -> tuple[str, ...]:
    best = {name: found[0] for name in find.attributes if (found := find.best(name)) is not None}
    what = find.category
    if best:
        mark = f"{best.get('mark_colour', '')} {best.get('mark', '')}".strip()
        what = f"{best.get('panel_colour', '')} {best.get('shape', 'panel')} with {mark}".strip()
    place = "unknown" if find.ground_enu_m is None else f"{find.ground_enu_m[0]:.1f} m, {find.ground_enu_m[1]:.1f} m"
    return (find.id, find.mission_run or "", what, f"{find.confidence:.2f}", place, find.wanted or "", find.held or "")
