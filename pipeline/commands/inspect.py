"""``panelscout inspect``: is this frame set whole, do these photographs fit the mission's brief, what does this recipe draw?"""

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
from mission.recipe import check_recipe, load_recipe
from mission.vocabulary import ATTRIBUTES
from pipeline.contact_sheet import write_contact_sheet
from pipeline.inspect_frames import FrameSetReport, inspect_frames
from pipeline.inspect_photographs import PhotographVerdict, inspect_photographs, yardstick_px

MOST_FINDINGS = 40
Result = TypeVar("Result")
_STYLES = {"good": "green", "doubtful": "yellow", "unusable": "red"}


@click.command("inspect")
@click.argument("frames", metavar="FRAMES|PHOTOS|RECIPE", type=click.Path(path_type=Path))
@click.option(
    "--mission", "mission_name", help="Mission file or name: the brief, vocabulary or camera to hold against."
)
@click.option(
    "--sheet", type=click.Path(path_type=Path), help="Contact sheet of a frame set [FRAMES/contact-sheet.jpg]."
)
@click.option(
    "--out", type=click.Path(path_type=Path), metavar="DIR", help="Folder for the sheets and histograms of a recipe."
)
@click.option("--beside", metavar="PHOTOS", help="Photographs to hold a recipe against (as --ground of render).")
@click.option("--beside-gsd", metavar="G", help='Their scale: "1.7cm" for all, or "field=1.7cm,wood=2cm" by flight.')
@click.option("--ground", metavar="PHOTOS", help="Photographs that a recipe's chips are laid on.")
@click.option("--ground-gsd", metavar="G", help="Their scale.")
@click.option(
    "--chips", type=click.IntRange(24, 5000), default=96, show_default=True, help="Chips of a recipe to draw."
)
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=0, show_default=True, help="Other chips.")
def inspect_command(
    frames: Path,
    mission_name: str | None,
    sheet: Path | None,
    out: Path | None,
    beside: str | None,
    beside_gsd: str | None,
    ground: str | None,
    ground_gsd: str | None,
    chips: int,
    seed: int,
) -> int:
    """Check a frame set, judge plain photographs against a mission's brief, or show what a recipe draws.

    A frame set is a folder with truth.json, or that file; photographs need --mission. A recipe (a file or a shipped name)
    needs --out: sheets of its chips at 100 % and histograms, beside those of photographs of your own. Ends with 1 where
    the set is broken or a photograph is unusable.
    """
    mission = None if mission_name is None else load_mission(mission_name)
    console = Console()
    if frames.name == "truth.json" or (frames / "truth.json").exists():
        return _inspect_frame_set(console, frames, mission, sheet)
    if not frames.exists() and len(frames.parts) > 1:
        raise InputError(f"The frames {frames} must exist. Got no such file or folder instead.")
    if not frames.exists() or frames.suffix.lower() in (".yaml", ".yml"):
        if out is None:
            raise InputError("The '--out' must be given to write the sheets of a recipe to. Got none instead.")
        flown = mission or load_mission("harrow-fen")
        photographs = {"beside": (beside, beside_gsd), "ground": (ground, ground_gsd)}
        return _inspect_recipe(console, str(frames), flown, out, photographs, chips, seed)
    if mission is None:
        raise InputError("The '--mission' must be given to judge photographs by. Got none instead.")
    return _inspect_photographs(console, frames, mission)


def _inspect_recipe(
    console: Console,
    name: str,
    mission: Mission,
    out: Path,
    photographs: dict[str, tuple[str | None, str | None]],
    chips: int,
    seed: int,
) -> int:
    recipe = load_recipe(name)
    check_recipe(recipe, mission, name)
    # torch takes seconds to load: complain about the options first.
    from pipeline.commands.render import opened_bank
    from pipeline.inspect_recipe import draw_recipe, figures, write_sheets

    banks = {
        key: None if folder is None else opened_bank(console, folder, gsd, mission)
        for key, (folder, gsd) in photographs.items()
    }
    found = _with_progress(
        console, "chips", 2 * chips,
        lambda tick: draw_recipe(
            recipe, mission, chips, seed, **banks, on_progress=lambda done, total: tick(done)
        ),
    )  # fmt: skip
    written = write_sheets(found, out, seed)
    console.print(_figures_table(figures(found)))
    for remark in found.remarks():
        console.print(Text(remark, style="yellow"))
    console.print(Text(f"Look at them at 100 %: {', '.join(p.name for p in written)} in {out}."))
    if found.beside:
        console.print(Text("Guess which are photographs before you open the file that says so."))
    return 0


def _figures_table(measured: dict[str, dict[str, list[float] | None]]) -> Table:
    from pipeline.picture_measures import OF_PANELS, OF_PICTURES

    table = Table(box=SIMPLE_HEAD)
    for heading in ("measure", "drawn", "photographs", "unit"):
        table.add_column(heading, overflow="fold")
    for measure in (*OF_PANELS, *OF_PICTURES):
        sides = measured[measure.key]
        cells = []
        for side in ("drawn", "photographs"):
            values = sides[side]
            cells.append("" if values is None else f"{values[1]:.3g} ({values[0]:.3g} to {values[2]:.3g})")
        table.add_row(Text(measure.name), *cells, Text(measure.unit))
    return table


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
