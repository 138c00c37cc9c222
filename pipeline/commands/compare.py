"""``panelscout compare SCORECARD...``: which of several systems is better on the same frames, and how surely."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text


@click.command("compare")
@click.argument("scorecards", type=click.Path(path_type=Path), metavar="SCORECARD...", nargs=-1, required=True)
@click.option(
    "--against",
    type=click.Path(path_type=Path),
    multiple=True,
    help="Scorecard of the other side; repeat it for several seeds. Then all SCORECARDs are seeds of the first side.",
)
@click.option("--markdown", "markdown_file", type=click.Path(path_type=Path), help="Write the tables here too.")
def compare_command(scorecards: tuple[Path, ...], against: tuple[Path, ...], markdown_file: Path | None) -> None:
    """Compare scorecards of the same frame set, paired frame by frame.

    Without --against the first SCORECARD is compared with each of the others. A scorecard is its folder or scorecard.json.
    """
    from eval.compare import check_same_frames, compare
    from eval.system import read_system
    from eval.verdict import markdown
    from mission.atomic import write_text
    from mission.errors import InputError

    systems = [read_system(path) for path in scorecards]
    others = [read_system(path) for path in against]
    if not others and len(systems) < 2:
        raise InputError("The scorecards to compare must be two or more. Got one instead.")
    pairs = [(systems, others)] if others else [(systems[:1], [other]) for other in systems[1:]]
    check_same_frames([*systems, *others])
    console, texts = Console(), []
    for before, after in pairs:
        comparison = compare(before, after)
        title = f"{_names(before)} and then {_names(after)}"
        console.print(Text(title))
        print_comparison(console, comparison)
        texts.append(markdown(comparison, title))
    if markdown_file is not None:
        write_text(markdown_file, "\n".join(texts))


def _names(side: list[Any]) -> str:
    return ", ".join(dict.fromkeys(f"{system.name} ({system.folder.name})" for system in side))


def print_comparison(console: Console, comparison: Any) -> None:
    """The table of figures and the noise behind it."""
    from eval.verdict import headings, noise_words, rows

    table = Table(box=SIMPLE_HEAD)
    for heading in headings():
        table.add_column(heading, justify="left" if heading in ("figure", "verdict") else "right")
    for row in rows(comparison):
        table.add_row(*(Text(cell) for cell in row))
    console.print(table)
    console.print(Text(noise_words(comparison)))
