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
@click.option("--bundle", metavar="BUNDLE", help="Bundle that made the sightings: its model card is written too.")
@click.option(
    "--ladder", is_flag=True, help="Read the frames again with --bundle under growing blur, smear, noise, fog, shade..."
)
@click.option("--device", default="auto", show_default=True, metavar="DEVICE", help="Where --ladder reads: cpu, cuda.")
def score_command(
    frame_set: Path,
    sightings: Path,
    out: Path,
    finds: Path | None,
    rulebook: str | None,
    mission: str | None,
    bundle: str | None,
    ladder: bool,
    device: str,
) -> None:
    """Measure SIGHTINGS (and finds) against the truth of FRAME_SET.

    FRAME_SET is a frame set's folder, or a plain COCO truth file; SIGHTINGS is sightings.json or a COCO results list.
    A plain COCO pair is judged for detection only.
    """
    from eval.plain_coco import is_plain_coco
    from eval.score import score
    from mission.errors import InputError
    from mission.frame_set import truth_path
    from mission.mission_file import load_mission

    if ladder and bundle is None:
        raise InputError("The option --ladder must come with --bundle. Got it alone instead.")
    loaded = None if mission is None else load_mission(mission)
    network = None if bundle is None else _loaded(bundle, device)
    given: Any = finds
    if finds is None and not is_plain_coco(truth_path(frame_set)):
        given = fused_here(frame_set, sightings, loaded)
    card = score(frame_set, sightings, out, finds=given, rulebook=rulebook, mission=loaded)
    print_scorecard(Console(), card)
    written = ["scorecard.json", "evidence.npz", "report.html", *(["datasheet.html"] if card["truth"] else [])]
    if network is not None:
        from eval.documents import model_card

        model_card(out / "modelcard.html", network.record.model_dump(mode="json"), card)
        written.append("modelcard.html")
    if ladder:
        print_ladder(Console(), climb_here(network, frame_set, out, card, loaded))
        written += ["ladder.json", "ladder.html"]
    click.echo(f"Written to {out}: {', '.join(written)}.")


def _loaded(bundle: str, device: str) -> Any:
    from pipeline.bundle import load_bundle

    return load_bundle(bundle, device)


def climb_here(bundle: Any, frame_set: Path, out: Path, card: dict[str, Any], mission: Any) -> dict[str, Any]:
    """Climb the ladder with a bar of progress on the terminal, and write it beside the scorecard."""
    from rich.progress import Progress

    from pipeline.ladder import climb, write_ladder

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("frames under every rung", total=None)
        rungs = climb(
            bundle, frame_set, mission=mission, on_progress=lambda n, m: bar.update(task, completed=n, total=m)
        )
    return write_ladder(out, rungs, card["truth"], bundle.name)


def print_ladder(console: Console, content: dict[str, Any]) -> None:
    """For each kind of corruption, the rung at which each figure falls below half of what it was."""
    from pipeline.ladder import RUNGS

    figures = list(next(iter(content["breaks_at"].values())))
    table = Table(box=SIMPLE_HEAD, title="Falls below half of the clean figure at")
    table.add_column("corruption")
    for figure in figures:
        table.add_column(figure.replace("_", " "), justify="right")
    for kind, breaks in content["breaks_at"].items():
        cells = ["never here" if breaks[f] is None else f"{breaks[f]:g}" for f in figures]
        table.add_row(f"{kind.replace('_', ' ')}: {RUNGS[kind][0]}", *cells)
    console.print(table)


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
