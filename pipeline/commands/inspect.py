"""``panelscout inspect``: is this frame set whole, or do these photographs fit the mission's brief?"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import click
import numpy as np
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table
from rich.text import Text

from mission.errors import InputError
from mission.frame_set import read_frame_set
from mission.mission_file import Mission, load_mission
from mission.photographs import list_photographs
from mission.vocabulary import ATTRIBUTES
from pipeline.contact_sheet import write_contact_sheet
from pipeline.inspect_frames import FrameSetReport, inspect_frames
from pipeline.inspect_photographs import PhotographVerdict, inspect_photographs, yardstick_px

MOST_FINDINGS = 40
Result = TypeVar("Result")
_STYLES = {"good": "green", "doubtful": "yellow", "unusable": "red"}


@click.command("inspect")
@click.argument("frames", type=click.Path(path_type=Path))
@click.option("--mission", "mission_name", help="Mission file or name: the brief or the vocabulary to hold against.")
@click.option(
    "--sheet", type=click.Path(path_type=Path), help="Contact sheet of a frame set [FRAMES/contact-sheet.jpg]."
)
def inspect_command(frames: Path, mission_name: str | None, sheet: Path | None) -> int:
    """Check a frame set, or judge plain photographs against a mission's brief.

    FRAMES is a frame set (a folder with truth.json, or that file) or a folder of photographs; photographs need --mission.
    Ends with 1 where the set is broken or a photograph is unusable.
    """
    mission = None if mission_name is None else load_mission(mission_name)
    console = Console()
    if frames.name == "truth.json" or (frames / "truth.json").exists():
        return _inspect_frame_set(console, frames, mission, sheet)
    if mission is None:
        raise InputError("The '--mission' must be given to judge photographs by. Got none instead.")
    return _inspect_photographs(console, frames, mission)


def _inspect_frame_set(console: Console, folder: Path, mission: Mission | None, sheet: Path | None) -> int:
    frame_set = read_frame_set(folder)
    vocabulary = mission.panels.vocabulary if mission else None
    report = _with_progress(
        console, "frames", len(frame_set.frames), lambda tick: inspect_frames(frame_set, vocabulary, tick)
    )
    console.print(
        f"{report.frames} frames ({frame_set.truth}), {report.objects} objects, {report.empty_frames} frames without any"
    )
    console.print(_counts_table(report))
    for name, findings, style in (("Fault", report.faults, "red"), ("Remark", report.remarks, "yellow")):
        for finding in findings[:MOST_FINDINGS]:
            console.print(Text.assemble((f"{name}: ", style), (f"{finding.where}: ", "bold"), finding.what))
        if len(findings) > MOST_FINDINGS:
            console.print(f"… and {len(findings) - MOST_FINDINGS} more")
    if frame_set.frames:
        place = sheet or frame_set.folder / "contact-sheet.jpg"
        shown = write_contact_sheet(place, frame_set)
        console.print(f"Contact sheet of {shown} frames: {place}", highlight=False)
    found = len(report.faults)
    console.print("No fault found." if not found else f"{found} fault{'s' if found > 1 else ''}.", style="bold")
    return 1 if report.broken else 0


def _counts_table(report: FrameSetReport) -> Table:
    table = Table(box=SIMPLE_HEAD)
    for heading in ("label", "objects of each value"):
        table.add_column(heading, overflow="fold")
    for label in ("category", *ATTRIBUTES):
        counted = ", ".join(f"{value} {count}" for value, count in report.counts[label].most_common())
        table.add_row(label, Text(counted or "none"))
    for category, sides in sorted(report.pixels_across.items()):
        low, middle, high = np.quantile(sides, [0.05, 0.5, 0.95])
        table.add_row(Text(f"pixels across a {category}"), f"median {middle:.0f}, nine in ten {low:.0f} to {high:.0f}")
    return table


def _inspect_photographs(console: Console, folder: Path, mission: Mission) -> int:
    photographs = list_photographs(folder)
    verdicts = _with_progress(
        console, "photographs", len(photographs), lambda tick: inspect_photographs(photographs, mission, tick)
    )
    table = Table(box=SIMPLE_HEAD)
    for heading, side in (
        ("photograph", "left"),
        ("verdict", "left"),
        ("blur", "right"),
        ("smear", "right"),
        ("median", "right"),
        ("why", "left"),
    ):
        table.add_column(heading, justify="right" if side == "right" else "left", overflow="fold")
    for verdict in verdicts:
        table.add_row(*_photograph_row(verdict))
    console.print(table)
    console.print(
        f"Held against a stroke of {yardstick_px(mission):.1f} px ({mission.name}); blur is the sigma of edges and smear the"
        " length of motion, both in pixels."
    )
    counts = {name: sum(v.verdict == name for v in verdicts) for name in _STYLES}
    console.print(", ".join(f"{count} {name}" for name, count in counts.items()), style="bold")
    return 1 if counts["unusable"] else 0


def _photograph_row(verdict: PhotographVerdict) -> list[Text]:
    sharpness, exposure = verdict.sharpness, verdict.exposure
    return [
        Text(verdict.path.name),
        Text(verdict.verdict, style=_STYLES[verdict.verdict]),
        Text(_pixels(sharpness and sharpness.blur_px)),
        Text(_pixels(sharpness and sharpness.smear_px)),
        Text("?" if exposure is None else f"{exposure.median:.0f}"),
        Text("; ".join(verdict.reasons) or "fits the brief"),
    ]


def _pixels(value: float | None) -> str:
    """A blur or a smear as far as the measure can tell it."""
    return "?" if value is None else "< 0.5" if value < 0.5 else f"{value:.1f}"


def _with_progress(console: Console, what: str, total: int, work: Callable[[Callable[[int], None]], Result]) -> Result:
    columns = (TextColumn(what), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task(what, total=total)
        return work(lambda done: progress.update(task, completed=done))
