"""The curves of a training: kept on disk as it goes, drawn as a picture in the bundle, shown by TensorBoard where wanted."""

from __future__ import annotations

import io
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from mission.errors import InputError
from pipeline.training import Report

CURVES_FILE = "curves.png"
# Shares of right answers go from 0 to 1 and are drawn apart from losses; the confidences chosen by them are no curve.
NOT_DRAWN = "confidence"


@dataclass(frozen=True)
class Point:
    """One report of one part: mean losses since the last one, and figures where they were measured."""

    step: int
    losses: Mapping[str, float]
    figures: Mapping[str, float]


class CurveFile:
    """The points of one part, a line each, in the folder of the unfinished training.

    A killed training goes on from an earlier step than its last line: what it is about to report again is passed over.
    """

    def __init__(self, folder: Path, part: str) -> None:
        self.path = folder / f"{part}.curve.jsonl"

    def add(self, report: Report) -> None:
        """Write down a report that holds numbers."""
        if report.losses or report.figures:
            line = json.dumps({"step": report.step, "losses": report.losses, "figures": _known(report.figures)})
            with self.path.open("a", encoding="utf-8") as file:
                file.write(line + "\n")

    def points(self) -> list[Point]:
        """All points by step; of a step that was reported twice the last one."""
        kept: list[Point] = []
        lines = self.path.read_text(encoding="utf-8").splitlines() if self.path.is_file() else []
        for line in lines:
            try:
                point = Point(**json.loads(line))
            except (ValueError, TypeError):  # the line that a kill cut off
                continue
            kept = [earlier for earlier in kept if earlier.step <= point.step and not _again(earlier, point)]
            kept.append(point)
        return kept


def _known(figures: Mapping[str, float]) -> dict[str, float]:
    return {name: value for name, value in figures.items() if value is not None and math.isfinite(value)}


def _again(earlier: Point, later: Point) -> bool:
    return earlier.step == later.step and bool(earlier.losses) == bool(later.losses)


def draw_curves(curves: Mapping[str, Sequence[Point]]) -> bytes | None:
    """A PNG: losses above (logarithmic), figures on held-out chips below, a column for each part; None without matplotlib."""
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError:
        return None
    figure = Figure(figsize=(5.2 * len(curves), 7.0), layout="constrained", dpi=100)
    FigureCanvasAgg(figure)
    panes = figure.subplots(2, len(curves), squeeze=False, sharex="col")
    for column, (part, points) in enumerate(curves.items()):
        _draw(panes[0, column], [(p.step, p.losses) for p in points], style="-")
        _draw(panes[1, column], [(p.step, p.figures) for p in points], style="o-")
        panes[0, column].set(title=part, ylabel="loss (mean since the last report)", yscale="log")
        panes[1, column].set(xlabel="step", ylabel="AP50 or share right, held-out chips", ylim=(-0.02, 1.02))
    content = io.BytesIO()
    figure.savefig(content, format="png")
    return content.getvalue()


def _draw(pane: Any, rows: Sequence[tuple[int, Mapping[str, float]]], style: str) -> None:
    names = list(dict.fromkeys(name for _, values in rows for name in values if NOT_DRAWN not in name))
    for name in names:
        known = [(step, values[name]) for step, values in rows if name in values]
        pane.plot([step for step, _ in known], [value for _, value in known], style, label=name, ms=4, lw=1.2)
    if names:
        pane.legend(fontsize="small", frameon=False)
    pane.grid(alpha=0.3)


class TensorBoardLog:
    """The same numbers for TensorBoard, as PART/NAME; InputError at once where that package is missing."""

    def __init__(self, folder: str | Path) -> None:
        try:
            from torch.utils.tensorboard import SummaryWriter
        except ImportError:
            raise InputError(
                "The option '--tensorboard' must find the package tensorboard (it comes with panelscout[tensorboard])."
                " Got no such package instead."
            ) from None
        self.open = lambda: SummaryWriter(str(folder))
        self.writer: SummaryWriter | None = None

    def add(self, report: Report) -> None:
        """Write down a report."""
        if self.writer is None:  # of several launched processes only those that report make a file
            self.writer = self.open()
        for name, value in {**report.losses, **_known(report.figures)}.items():
            kind = "loss" if name in report.losses else "held out"
            self.writer.add_scalar(f"{report.part} {kind}/{name}", value, report.step)

    def close(self) -> None:
        """Write what is waiting."""
        if self.writer is not None:
            self.writer.close()
