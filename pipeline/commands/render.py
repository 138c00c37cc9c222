"""``panelscout render``: frames with exact truth, on procedural ground or on photographs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn
from rich.text import Text

from mission.ground_folder import parse_ground_scales
from mission.mission_file import Mission, load_mission
from mission.recipe import load_recipe
from synth.render_ranks import ranks_of

if TYPE_CHECKING:
    from synth.photo_ground import GroundBank


@click.command("render")
@click.argument("recipe", metavar="RECIPE")
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), metavar="DIR", help="Folder to write, new or empty."
)
@click.option("--frames", type=click.IntRange(1, 1_000_000), default=12, show_default=True, help="How many frames.")
@click.option(
    "--seed", type=click.IntRange(0, 2**31 - 1), default=0, show_default=True, help="Another seed, another set."
)
@click.option("--mission", default="harrow-fen", show_default=True, metavar="M", help="Camera, flight and panels.")
@click.option(
    "--ground", default=None, metavar="PHOTOS", help="Photographs to lay things on: a folder, or one for each flight."
)
@click.option(
    "--ground-gsd", default=None, metavar="G", help='Their scale: "1.7cm" for all, or "field=1.7cm,wood=2cm" by flight.'
)
@click.option("--workers", type=click.IntRange(1, 512), default=1, show_default=True, help="Processes that draw.")
def render_command(
    recipe: str,
    out: Path,
    frames: int,
    seed: int,
    mission: str,
    ground: str | None,
    ground_gsd: str | None,
    workers: int,
) -> None:
    """Render frames with exact truth by RECIPE (a file or a shipped name: field, held-out, plain).

    The files are the same for any number of workers. Killed and started again with the same options, it goes on where it was.
    On several hosts that see one file system: torchrun --nnodes ... -m pipeline render RECIPE ...
    """
    ranks = ranks_of()
    console = Console(quiet=ranks.rank > 0)
    settings, flown = load_recipe(recipe), load_mission(mission)
    bank = None if ground is None else opened_bank(console, ground, ground_gsd, flown)
    # torch takes seconds to load: complain about the options first.
    from synth.frames import render_frame_set

    columns = (
        TextColumn("drawing frames"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=console) as progress:
        row = progress.add_task("frames", total=frames)
        render_frame_set(
            settings, flown, out, frames, seed, ground=bank, workers=workers,
            on_progress=lambda done, total: progress.update(row, completed=done, total=total),
        )  # fmt: skip
    if ranks.rank == 0:
        console.print(summary(out))


def opened_bank(console: Console, ground: str, ground_gsd: str | None, mission: Mission) -> GroundBank:
    """The photographs of a folder at the mission's scale; says what they hold."""
    from synth.photo_ground import GroundBank

    columns = (TextColumn("making photographs ready"), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=console, transient=True) as progress:
        row = progress.add_task("photographs", total=None)
        bank = GroundBank.from_folder(
            ground,
            None if ground_gsd is None else parse_ground_scales(ground_gsd),
            mission_gsd_m=mission.ground_sample_distance_m,
            on_progress=lambda done, total: progress.update(row, completed=done, total=total),
        )
    say_ground(console, bank)
    return bank


def say_ground(console: Console, bank: GroundBank) -> None:
    """What the photographs hold, and a warning where that is thin."""
    console.print(Text(bank.describe()))
    warning = bank.warning()
    if warning:
        console.print(Text(warning, style="yellow"))


def summary(out: Path) -> str:
    """What was written, in sentences."""
    from mission.frame_set import read_frame_set

    made = read_frame_set(out)
    things = [thing for frame in made.frames for thing in frame.things]
    scored = [thing for thing in things if thing.scored]
    count = {name: sum(t.category == name for t in scored) for name in ("panel", "person")}
    return (
        f"Wrote {len(made.frames)} frames of {len(made.runs)} runs to {out}: {count['panel']} views of panels and"
        f" {count['person']} of people that count, {len(things) - len(scored)} too small or too hidden to count."
    )
