"""``panelscout demo``: the whole job once, ending in sentences made of what was measured."""

from __future__ import annotations

import dataclasses
import time
from pathlib import Path

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeElapsedColumn
from rich.text import Text

from mission.cautions import SHORT
from mission.ground_folder import parse_ground_scales
from pipeline.demo import FRAMES, SCORE, DemoOptions, DemoResult, Listener, demo
from pipeline.find_bundle import DEFAULT_BUNDLE, default_bundle

_DEFAULTS = DemoOptions()
# Tuning needs less than learning from nothing, and a bundle of more parameters takes longer to read the frames.
TUNING_MINUTES = 2.0


@click.command("demo")
@click.option("--out", type=click.Path(path_type=Path), default=Path("demo-out"), show_default=True, metavar="DIR")
@click.option(
    "--ground", default=None, metavar="PHOTOS", help="Your own photographs as ground: a folder, or one for each flight."
)
@click.option("--ground-gsd", default=None, metavar="G", help='Their scale: "1.7cm", or "field=1.7cm,wood=2cm".')
@click.option(
    "--from-scratch", is_flag=True, help="Train from nothing, although a default bundle is there to start from."
)
@click.option(
    "--minutes", type=float, default=None,
    help=f"How long to train (default: {TUNING_MINUTES:g} from the default bundle, {_DEFAULTS.fit_minutes:g} from nothing).",
)  # fmt: skip
@click.option("--frames", type=click.IntRange(1, 2000), default=_DEFAULTS.frames, show_default=True)
@click.option("--seed", type=click.IntRange(0, 2**31 - 2), default=_DEFAULTS.seed, show_default=True)
@click.option("--workers", type=click.IntRange(1, 64), default=_DEFAULTS.workers, show_default=True)
def demo_command(
    out: Path, ground: str | None, ground_gsd: str | None, from_scratch: bool, minutes: float | None, frames: int, seed: int,
    workers: int,
) -> None:  # fmt: skip
    """Brief, render, fit, read and score the Harrow Fen mission in a few minutes; everything lands in DIR.

    The training goes on from the bundle that ships with the package. Interrupted, the same command goes on where it stopped.
    """
    console = Console()
    start = None if from_scratch or default_bundle() is None else DEFAULT_BUNDLE
    usual_minutes = _DEFAULTS.fit_minutes if start is None else TUNING_MINUTES
    options = dataclasses.replace(
        _DEFAULTS, fit_minutes=usual_minutes if minutes is None else minutes, start=start, frames=frames, seed=seed,
        workers=workers, ground=ground, ground_gsd_m=None if ground_gsd is None else parse_ground_scales(ground_gsd),
    )  # fmt: skip
    if start is None and not from_scratch:
        console.print("This installation ships no default bundle to start from: the demo trains from nothing.")
    started = time.monotonic()
    show_brief(console, options.mission)
    with DemoProgress(console) as progress:
        result = demo(out, options, progress.listener())
    show_result(console, result, time.monotonic() - started)


def show_brief(console: Console, mission_name: str) -> None:
    """The brief's figures and warnings for the demo's mission."""
    from mission.brief import imaging_brief
    from mission.mission_file import load_mission
    from pipeline.commands.brief import figures_table

    mission = load_mission(mission_name)
    brief = imaging_brief(mission)
    console.print(figures_table([mission], [brief]))
    for warning in brief.warnings:
        console.print(Text(warning, style="yellow"))


class DemoProgress:
    """One bar for the step at hand; steps and notes as lines above it."""

    def __init__(self, console: Console) -> None:
        self.progress = Progress(
            TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn(),
            TextColumn("{task.fields[state]}"), console=console, transient=True,
        )  # fmt: skip
        self.rows: dict[str, TaskID] = {}

    def __enter__(self) -> DemoProgress:
        self.progress.__enter__()
        return self

    def __exit__(self, *details: object) -> None:
        self.progress.__exit__(*details)  # type: ignore[arg-type]

    def listener(self) -> Listener:
        """The callbacks that a demo wants."""
        return Listener(self._step, self._line, self._done, self._fit)

    def _step(self, heading: str) -> None:
        for row in self.rows.values():
            self.progress.remove_task(row)
        self.rows = {}
        self.progress.console.print(Text(heading, style="bold"))

    def _line(self, text: str) -> None:
        self.progress.console.print(Text(text))

    def _row(self, name: str) -> TaskID:
        if name not in self.rows:
            self.rows[name] = self.progress.add_task(name, total=None, state="")
        return self.rows[name]

    def _done(self, done: int, total: int) -> None:
        self.progress.update(self._row("frames"), completed=done, total=total)

    def _fit(self, report: object) -> None:
        from pipeline.commands.fit import figures_text
        from pipeline.training import Report

        assert isinstance(report, Report)
        row = self._row(report.part)
        losses = ", ".join(f"{name} {value:.2f}" for name, value in report.losses.items())
        if losses:
            self.progress.update(row, state=f"step {report.step}, loss: {losses}")
        self.progress.update(row, completed=round(100 * report.progress), total=100)
        if report.figures:
            self._line(f"  {report.part}, step {report.step}, on held-out chips: {figures_text(report.figures)}")
        if report.note:
            self._line(f"  {report.part}: {report.note}")


def show_result(console: Console, result: DemoResult, seconds: float) -> None:
    """The measured sentences, where everything lies, and the caution that goes with every find."""
    from eval.summary import sentences

    console.print()
    for sentence in sentences(result.card):
        console.print(Text(sentence))
    steps = ", ".join(f"{name} {took:.0f} s" for name, took in result.seconds.items())
    console.print(Text(f"Took {seconds:.0f} s ({steps})."))
    console.print(
        Text(f"Report: {result.out / SCORE / 'report.html'}; frames with their truth: {result.out / FRAMES}.")
    )
    console.print(Text(SHORT, style="yellow"))
