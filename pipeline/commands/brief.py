"""``panelscout brief MISSION [MISSION...]``: what the camera will see, one column per mission."""

from __future__ import annotations

from collections.abc import Callable

import click
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text

from mission.brief import LEAST_PANEL_PX, LEAST_STROKE_PX, MOST_SMEAR_PX, ImagingBrief, ShapeRoom, imaging_brief
from mission.cautions import CAUTIONS
from mission.mission_file import Mission, load_mission

Cell = Callable[[Mission, ImagingBrief], str]


@click.command("brief")
@click.argument("missions", nargs=-1, required=True, metavar="MISSION...")
def brief_command(missions: tuple[str, ...]) -> None:
    """Say what a mission's camera will see of the ground and of its panels, and what will not work.

    MISSION is a mission file or the name of a shipped one (harrow-fen, harrow-fen-low); several stand side by side.
    """
    loaded = [load_mission(name) for name in missions]
    briefs = [imaging_brief(mission) for mission in loaded]
    console = Console()
    console.print(figures_table(loaded, briefs))
    console.print(shapes_table(briefs))
    _print_warnings(console, briefs)
    console.print(
        "The imaging time counts the flight along the lanes over the search area and nothing else:"
        " the crew adds transit, turns, wind and the battery's reserve.\n"
    )
    for caution in CAUTIONS:
        console.print(Text.assemble((f"{caution.heading}. ", "bold"), caution.text))


def figures_table(missions: list[Mission], briefs: list[ImagingBrief]) -> Table:
    """The figures of each mission, one column each."""
    table = Table(title="Imaging brief", title_justify="left", title_style="bold", box=SIMPLE_HEAD)
    table.add_column("", overflow="fold")
    for brief in briefs:
        table.add_column(Text(brief.name), justify="right", overflow="fold")
    for label, cell in _ROWS:
        table.add_row(label, *(Text(cell(mission, brief)) for mission, brief in zip(missions, briefs)))
    return table


def shapes_table(briefs: list[ImagingBrief]) -> Table:
    """Pixels across the least mark and its stroke, per shape, on the smallest and the largest panel of each mission."""
    title = "Pixels of the least mark / of its stroke, smallest to largest panel"
    table = Table(title=title, title_justify="left", title_style="bold", box=SIMPLE_HEAD)
    table.add_column("shape")
    table.add_column("room", justify="right")
    for brief in briefs:
        table.add_column(Text(brief.name), justify="right", overflow="fold")
    shapes = list(dict.fromkeys(room.shape for brief in briefs for room in brief.shapes))
    for shape in shapes:
        rooms = [next((r for r in brief.shapes if r.shape == shape), None) for brief in briefs]
        share = next(room.room_share for room in rooms if room)
        table.add_row(Text(shape), f"{share:.0%} ", *(_room_cell(room) for room in rooms))
    return table


def _room_cell(room: ShapeRoom | None) -> str:
    if room is None:
        return "not laid"
    (small, large), (thin, thick) = room.mark_px, room.stroke_px
    return f"{small:.0f} / {thin:.1f} to {large:.0f} / {thick:.1f}"


def _print_warnings(console: Console, briefs: list[ImagingBrief]) -> None:
    for brief in briefs:
        if not brief.warnings:
            console.print(Text.assemble((f"{brief.name}: ", "bold"), ("nothing stands against it.", "green")))
        for warning in brief.warnings:
            console.print(Text.assemble((f"{brief.name}: ", "bold"), (warning, "yellow")))
    console.print()


def _metres(value: float) -> str:
    return f"{value:.1f} m"


def _minutes(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest:02d} s"


_ROWS: tuple[tuple[str, Cell], ...] = (
    ("height above ground (limit)", lambda m, b: f"{b.height_m:.0f} m ({m.flight.height_limit_m:.0f} m)"),
    ("speed", lambda m, b: f"{m.flight.speed_mps:.1f} m/s"),
    ("ground sample distance", lambda m, b: f"{b.gsd_m * 100:.2f} cm"),
    ("ground in one frame, across x along", lambda m, b: " x ".join(_metres(side) for side in b.footprint_m)),
    (
        f"pixels across a panel, smallest to largest (at least {LEAST_PANEL_PX:.0f})",
        lambda m, b: f"{b.panel_px[0]:.0f} to {b.panel_px[1]:.0f}",
    ),
    (
        f"thinnest stroke on the smallest panel (at least {LEAST_STROKE_PX:.0f} px)",
        lambda m, b: f"{min(room.stroke_px[0] for room in b.shapes):.1f} px",
    ),
    ("height at which every stroke is wide enough", lambda m, b: f"{b.height_for_all_m:.0f} m"),
    ("shutter", lambda m, b: f"1/{1 / m.flight.shutter_s:.0f} s"),
    (f"smear (at most {MOST_SMEAR_PX:.0f} px)", lambda m, b: f"{b.smear_px:.2f} px"),
    (
        "ISO for that shutter",
        lambda m, b: f"{b.iso:.0f} at f/{m.camera.f_number:g}, EV {m.site.light_ev100:g}",
    ),
    ("distance between frames", lambda m, b: f"{_metres(b.frame_spacing_m)} ({m.flight.forward_overlap:.0%} overlap)"),
    ("time between frames", lambda m, b: f"{b.trigger_interval_s:.1f} s"),
    ("distance between lanes", lambda m, b: f"{_metres(b.lane_spacing_m)} ({m.flight.side_overlap:.0%} overlap)"),
    ("search area", lambda m, b: f"{m.site.area_width_m:.0f} m x {m.site.area_length_m:.0f} m"),
    ("lanes, frames", lambda m, b: f"{b.lanes}, {b.frames}"),
    ("imaging time", lambda m, b: _minutes(b.imaging_time_s)),
)
