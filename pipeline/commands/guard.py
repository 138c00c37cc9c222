"""``panelscout guard --baseline B --scorecard S``: did today's change break it? An exit code for a build server."""

from __future__ import annotations

import datetime
from pathlib import Path

import click
from rich.console import Console
from rich.text import Text

from pipeline.commands.compare import print_comparison


@click.command("guard")
@click.option(
    "--baseline",
    "baselines",
    type=click.Path(path_type=Path),
    multiple=True,
    required=True,
    help="Scorecard to hold on to; repeat it for several seeds.",
)
@click.option(
    "--scorecard",
    "scorecards",
    type=click.Path(path_type=Path),
    multiple=True,
    required=True,
    help="Scorecard of the change; repeat it for several seeds.",
)
@click.option(
    "--margin",
    "margins",
    multiple=True,
    metavar="FIGURE=LOSS",
    help="How much a figure may lose, for example detection.AP=0.02; repeat it for several.",
)
@click.option("--markdown", "markdown_file", type=click.Path(path_type=Path), help="Write the verdict as Markdown.")
@click.option("--junit", "junit_file", type=click.Path(path_type=Path), help="Write the verdict as JUnit XML.")
@click.option("--accept", is_flag=True, help="Put the scorecard in the place of the baseline, whatever the verdict.")
@click.option("--reason", default="", help="Why the baseline is renewed; kept in it.")
def guard_command(
    baselines: tuple[Path, ...],
    scorecards: tuple[Path, ...],
    margins: tuple[str, ...],
    markdown_file: Path | None,
    junit_file: Path | None,
    accept: bool,
    reason: str,
) -> int:
    """Say whether a change made things worse, telling chance from loss.

    Exit code 0: held within every margin. 1: worse. 2: wrong input. 3: cannot tell with these frames.
    """
    from eval.compare import compare
    from eval.system import read_system
    from eval.verdict import EXIT, junit, markdown
    from eval.verdict import accept as renew
    from mission.atomic import write_bytes, write_text
    from mission.errors import InputError

    if reason and not accept:
        raise InputError("The reason must come with --accept. Got it alone instead.")
    before, after = [read_system(path) for path in baselines], [read_system(path) for path in scorecards]
    if accept:
        renew(before, after, reason, datetime.date.today())
        click.echo(f"The baseline is renewed: {reason.strip()}")
        return 0
    comparison = compare(before, after, margins=dict(_margin(text) for text in margins))
    title = f"Guard: {comparison.verdict}"
    if markdown_file is not None:
        write_text(markdown_file, markdown(comparison, title))
    if junit_file is not None:
        write_bytes(junit_file, junit(comparison, title))
    console = Console()
    print_comparison(console, comparison)
    console.print(Text(title))
    return EXIT[comparison.verdict]


def _margin(text: str) -> tuple[str, float]:
    from mission.errors import must

    name, _, number = text.partition("=")
    try:
        value = float(number)
    except ValueError:
        value = -1.0
    if not 0 <= value < float("inf"):
        raise must("margin", "be FIGURE=LOSS with a number, zero or more", text)
    return name, value
