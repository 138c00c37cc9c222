"""Histograms of what was measured on drawn chips, beside those of photographs, as one picture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from mission.atomic import replacing
from pipeline.picture_measures import OF_PANELS, OF_PICTURES

_BINS = 32
# Colour-blind-safe pair (Okabe & Ito 2008).
_DRAWN, _REAL = "#0072B2", "#D55E00"


def draw_histograms(path: Path, drawn: Mapping[str, Sequence[float]], real: Mapping[str, Sequence[float]]) -> None:
    """Write one panel for each measure: share of the values in each of 32 steps, medians as lines."""
    from matplotlib.figure import Figure

    measures = (*OF_PANELS, *OF_PICTURES)
    figure = Figure(figsize=(15, 9.6), layout="constrained")
    axes = figure.subplots(3, 4).ravel()
    for axis, measure in zip(axes, measures, strict=False):
        low, high = measure.bounds
        edges = np.geomspace(low, high, _BINS + 1) if measure.log else np.linspace(low, high, _BINS + 1)
        for values, colour, label in (
            (drawn.get(measure.key), _DRAWN, "drawn"),
            (real.get(measure.key), _REAL, "photographs"),
        ):
            if not values:
                continue
            counts, _ = np.histogram(np.clip(values, low, high), edges)
            axis.stairs(counts / len(values), edges, color=colour, linewidth=1.6, label=f"{label} ({len(values)})")
            axis.axvline(float(np.median(values)), color=colour, linewidth=0.9, linestyle="--")
        axis.set_title(measure.name, fontsize=10)
        axis.set_xlabel(measure.unit, fontsize=9)
        axis.tick_params(labelsize=8)
        axis.set_ylim(bottom=0)
        if measure.log:
            axis.set_xscale("log")
        axis.legend(fontsize=8, frameon=False)
    for axis in axes[len(measures) :]:
        axis.set_axis_off()
    figure.suptitle(
        "Share of values in each step; dashed: medians; values beyond an axis are counted at its end", fontsize=10
    )
    with replacing(path) as temporary:
        figure.savefig(temporary, dpi=100)
