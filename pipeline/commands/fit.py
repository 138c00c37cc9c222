"""``panelscout fit``: train a detector and the four readers into a bundle."""

from __future__ import annotations

import math
from pathlib import Path

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn

from mission.ground_folder import GroundScales, parse_ground_scales
from pipeline.fit import PARTS, Fitted, fit
from pipeline.team import World
from pipeline.training import Report
from pipeline.validation import REAL


def _scales(context: click.Context, parameter: click.Parameter, value: str | None) -> GroundScales | None:
    return None if value is None else parse_ground_scales(value)


@click.command("fit")
@click.option(
    "--train", required=True, metavar="DIR|RECIPE", help="A frame set, or a recipe to render by while training."
)
@click.option("--out", required=True, type=click.Path(path_type=Path), metavar="BUNDLE", help="Folder to write.")
@click.option(
    "--model", default="small", show_default=True, metavar="NAME|YAML",
    help="Shipped model, or a model file; with --from it says only how to train.",
)  # fmt: skip
@click.option(
    "--mission", default=None, metavar="M", help="Mission that sets vocabulary and scale (default: harrow-fen)."
)
@click.option("--ground", default=None, metavar="PHOTOS", help="Photographs to lay the rendered panels on.")
@click.option(
    "--ground-gsd", "ground_gsd_m", default=None, callback=_scales, metavar="G",
    help='Their scale: "1.7cm" for all, or "field=1.7cm,wood=2cm" by flight.',
)  # fmt: skip
@click.option(
    "--empty", default=None, metavar="PHOTOS", help="Photographs that show no panel and no person: ground too."
)
@click.option("--empty-gsd", "empty_gsd_m", default=None, callback=_scales, metavar="G", help="Their scale.")
@click.option(
    "--real", default=None, metavar="DIR|COCO", help="Labelled frames of your own to mix in: frame set or COCO."
)
@click.option("--real-images", default=None, metavar="DIR", help="Where the images of the COCO file lie.")
@click.option("--from", "start", default=None, metavar="BUNDLE|default", help="Go on from this bundle's weights.")
@click.option("--minutes", type=float, default=None, help="How long to train (default: the model file says).")
@click.option("--steps", type=int, default=None, help="Train each part this many steps instead.")
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=0, show_default=True)
@click.option("--device", default="auto", show_default=True, help="auto, cpu or cuda.")
@click.option("--workers", type=int, default=None, help="1: one part after the other; 2: both at a time.")
@click.option(
    "--draw-workers",
    type=int,
    default=None,
    metavar="K",
    help="Processes that draw chips (default: on a GPU all cores but two; on CPU a thread of each part).",
)
@click.option(
    "--uses-per-chip",
    type=int,
    default=None,
    metavar="N",
    help="How often a drawn chip is learnt from, each time looked at anew: 1 to 4 where drawing keeps up (default: the "
    "model file's; the small model, which waits for its drawing, uses more).",
)
@click.option(
    "--tensorboard",
    default=None,
    metavar="DIR",
    help="Write the curves for TensorBoard, too (panelscout[tensorboard]).",
)
def fit_command(
    train: str,
    out: Path,
    model: str,
    mission: str | None,
    ground: str | None,
    ground_gsd_m: GroundScales | None,
    empty: str | None,
    empty_gsd_m: GroundScales | None,
    real: str | None,
    real_images: str | None,
    start: str | None,
    minutes: float | None,
    steps: int | None,
    seed: int,
    device: str,
    workers: int | None,
    draw_workers: int | None,
    uses_per_chip: int | None,
    tensorboard: str | None,
) -> None:
    """Train from nothing or from another bundle; killed and started again with the same options, it goes on where it was."""
    console = Console(quiet=World.here().rank != 0)
    with FitProgress(console) as progress:
        fitted = fit(
            train, out, model=model, mission=mission, ground=ground, ground_gsd_m=ground_gsd_m,
            empty=empty, empty_gsd_m=empty_gsd_m, real=real, real_images=real_images, start=start, minutes=minutes,
            steps=steps, seed=seed, device=device, workers=workers, draw_workers=draw_workers,
            uses_per_chip=uses_per_chip, tensorboard=tensorboard, on_progress=progress.show,
            on_remark=console.print,
        )  # fmt: skip
    console.print(summary(fitted))


class FitProgress:
    """Bars of both parts with their losses; validation figures as lines above them."""

    def __init__(self, console: Console) -> None:
        self.progress = Progress(
            TextColumn("{task.description:9}"), BarColumn(), TextColumn("{task.percentage:3.0f} %"),
            TimeElapsedColumn(), TextColumn("{task.fields[state]}"), console=console,
        )  # fmt: skip
        self.rows: dict[str, TaskID] = {}

    def __enter__(self) -> FitProgress:
        self.progress.__enter__()
        self.rows = {part: self.progress.add_task(part, total=1.0, state="starting") for part in PARTS}
        return self

    def __exit__(self, *details: object) -> None:
        self.progress.__exit__(*details)  # type: ignore[arg-type]

    def show(self, report: Report) -> None:
        """Take in one report."""
        row = self.rows[report.part]
        if report.losses:
            losses = ", ".join(f"{name} {value:.2f}" for name, value in report.losses.items())
            self.progress.update(row, state=f"step {report.step}, loss: {losses}")
        self.progress.update(row, completed=report.progress)
        if report.figures:
            self.progress.console.print(
                f"{report.part} on held-out chips at step {report.step}: {figures_text(report.figures)}"
            )
        if report.note:
            self.progress.console.print(f"{report.part}: {report.note}")


def figures_text(figures: dict[str, float]) -> str:
    """Figures in one line, those on real frames apart; what could not be measured is left out."""
    shown = {name: f"{value:.3f}" for name, value in figures.items() if value is not None and not math.isnan(value)}
    drawn = [f"{name} {value}" for name, value in shown.items() if not name.startswith(REAL)]
    real = [f"{name.removeprefix(REAL)} {value}" for name, value in shown.items() if name.startswith(REAL)]
    return ", ".join(drawn) + (f"; on held-out real frames: {', '.join(real)}" if real else "")


def summary(fitted: Fitted) -> str:
    """What was made, in sentences of measured values."""
    lines = [f"Wrote the bundle {fitted.bundle} in {fitted.seconds:.0f} s."]
    for part, figures in fitted.figures.items():
        lines.append(f"{part.capitalize()} on held-out chips: {figures_text(figures)}.")
    lines.append("These are rendered or held-out chips; `panelscout score` judges whole frames.")
    return "\n".join(lines)
