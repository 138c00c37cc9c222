"""``panelscout score FRAME_SET SIGHTINGS --out DIR``: how good, how sure, and what it is worth under a rulebook."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text


@click.command("score")
@click.argument("frame_set", type=click.Path(path_type=Path), metavar="FRAME_SET")
@click.argument("sightings", type=click.Path(path_type=Path), metavar="SIGHTINGS")
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="Folder for scorecard, evidence and report."
)
@click.option(
    "--finds", type=click.Path(path_type=Path), help="finds.geojson; fused from the sightings where left out."
)
@click.option("--rulebook", metavar="RULEBOOK", help="Rulebook file or shipped name, in place of the mission's.")
@click.option("--mission", metavar="MISSION", help="Mission file or shipped name: its rulebook, vocabulary and zone.")
def score_command(
    frame_set: Path, sightings: Path, out: Path, finds: Path | None, rulebook: str | None, mission: str | None
) -> None:
    """Measure SIGHTINGS (and finds) against the truth of FRAME_SET.

    FRAME_SET is a frame set's folder, or a plain COCO truth file; SIGHTINGS is sightings.json or a COCO results list.
    A plain COCO pair is judged for detection only.
    """
    from eval.plain_coco import is_plain_coco
    from eval.score import score
    from mission.frame_set import truth_path
    from mission.mission_file import load_mission

    loaded = None if mission is None else load_mission(mission)
    given: Any = finds
    if finds is None and not is_plain_coco(truth_path(frame_set)):
        given = fused_here(frame_set, sightings, loaded)
    card = score(frame_set, sightings, out, finds=given, rulebook=rulebook, mission=loaded)
    print_scorecard(Console(), card)
    click.echo(f"Written to {out}: scorecard.json, evidence.npz, report.html.")


def fused_here(frame_set: Path, sightings: Path, mission: Any = None) -> Any:
    """Finds fused from sightings, matched to the frame set's own wanted lists and held by the mission's zone."""
    from mission.sightings import read_sightings
    from pipeline.finding import find_objects
    from pipeline.frames_to_read import frames_to_read
    from pipeline.hold import Zone

    source = frames_to_read(frame_set)
    content = read_sightings(sightings, [frame.image_id for frame in source.frames])
    return find_objects(content, source, wanted=source.wanted, zone=Zone.of(mission))


def print_scorecard(console: Console, card: dict[str, Any]) -> None:
    """The scorecard's sentences and a table of COCO's figures."""
    from eval.summary import sentences

    for sentence in sentences(card):
        console.print(Text(sentence))
    table = Table(box=SIMPLE_HEAD)
    for heading in ("", "AP", "AP50", "AP75", "AR100"):
        table.add_column(heading, justify="left" if not heading else "right")
    parts = {"all": card["detection"], **card["detection"]["per_category"]}
    for name, block in list(parts.items())[:12]:
        table.add_row(Text(name), *(Text(_cell(block, figure)) for figure in ("AP", "AP50", "AP75", "AR100")))
    console.print(table)
    if len(parts) > 12:
        console.print(f"{len(parts) - 12} more categories stand in the scorecard.")


def _cell(block: dict[str, Any], figure: str) -> str:
    if block[figure] is None:
        return "no object"
    interval = (block["ci95"] or {}).get(figure)
    return f"{block[figure]:.3f}" + (f" ({interval[0]:.2f} to {interval[1]:.2f})" if interval else "")
