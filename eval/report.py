"""The report: one HTML file that needs no network, in words first and in pictures after.

Everything that comes from files goes through Jinja's autoescape; the pictures are markup built as trees (``eval.drawing``).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from eval.causes import CAUSES
from eval.detection import FIGURES
from eval.false_alarms import RATES_PER_FRAME
from eval.gallery import KINDS, worst_cases
from eval.judgement import Judgement, RunsJudgement
from eval.pictures import (
    WORDS,
    area_response_curves,
    confusions,
    error_map,
    free_response_curves,
    location_scatter,
    points_waterfall,
    precision_recall,
    reliability_curves,
)
from eval.report_tables import more_tables
from eval.resampling import DRAWS, MIN_CLUSTERS
from eval.summary import FIRST_LINE, percent, sentences
from mission.atomic import write_text
from mission.cautions import CAUTIONS, SHORT
from mission.frame_set import SCORED_MIN_SIDE_PX, SCORED_MIN_VISIBLE, FrameSet
from mission.vocabulary import ATTRIBUTES

Card = Mapping[str, Any]
_KINDS = {"background": "grounds", "mission_run": "flights", "frame": "frames"}


@dataclass(frozen=True)
class Cell:
    """A table cell: a figure in words, and its range where there is one."""

    text: str
    range: str | None = None


def write_report(
    path: Path, card: Card, judgement: Judgement, runs: RunsJudgement | None, frame_set: FrameSet | None
) -> None:
    """Write the report of a scorecard whole."""
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"), autoescape=True, undefined=StrictUndefined
    )
    template = environment.get_template("report.html")
    content = _words(card) | _tables(card) | more_tables(card) | _pictures(card, judgement, runs)
    cases = [] if frame_set is None else worst_cases(judgement, frame_set)
    content["cases"] = cases
    content["case_kinds"] = [kind for kind in KINDS if any(case.kind == kind for case in cases)]
    content["case_attributes"] = [a for a in ATTRIBUTES if any(a in case.attributes for case in cases)]
    write_text(path, template.render(content))


def _words(card: Card) -> dict[str, Any]:
    said = sentences(card)
    clusters = card["clusters"]
    return {
        "title": f"Scorecard of {card['bundle'] or 'the results'} on {card['frame_set']}",
        "subtitle": f"{clusters['frames']} frames, {_cluster_words(clusters)}",
        "first_line": FIRST_LINE[card["truth"]],
        "sentences": said[1:],
        "ours": card["truth"] is not None,
        "caution_short": SHORT,
        "cautions": CAUTIONS,
        "method": list(_method(card)),
        "withheld": list(_withheld(card)),
        "truth_sha256": card["truth_sha256"],
        "evidence_sha256": card["evidence_sha256"],
        "rulebook": None if card["points"] is None else card["points"]["rulebook"],
    }


def _cluster_words(clusters: Card) -> str:
    if clusters["by"] == ["frame"]:
        return "each on its own"
    return f"from {clusters['count']} different {' and '.join(_KINDS[kind] for kind in clusters['by'])}"


def _method(card: Card) -> Iterator[str]:
    yield (
        "COCO's figures are computed as pycocotools computes them; sizes are COCO's (small below 32 px, medium below 96 px,"
        " by area)."
    )
    yield (
        f"Ranges are 95 % intervals from {DRAWS} resamplings of whole clusters (same ground, else same flight): Wilson's with"
        f" the effective number of trials for shares; below {MIN_CLUSTERS} clusters none is given."
    )
    if card["truth"] is None:
        return
    yield (
        f"Objects under {SCORED_MIN_SIDE_PX:g} px or less than {SCORED_MIN_VISIBLE:.0%} visible are left out: finding them"
        f" neither helps nor hurts."
    )
    if card["finds"] == "fused here":
        yield "No finds were given; they were fused here from the sightings."
    yield "A report counts for the object that earns the team most, one report an object and one object a report."


def _withheld(card: Any, name: str = "") -> Iterator[str]:
    """Every null of the scorecard with its reason."""
    if not isinstance(card, Mapping):
        return
    for key, why in card.get("why", {}).items():
        yield f"{name}{key}: {why}."
    for key, value in card.items():
        if key not in ("why", "confusion"):
            yield from _withheld(value, f"{name}{key} ")


def _cell(block: Card, figure: str) -> Cell:
    if block[figure] is None:
        return Cell("–")
    return Cell(f"{block[figure]:.3f}", _range((block["ci95"] or {}).get(figure), 2))


def _range(interval: list[float] | None, digits: int) -> str | None:
    return None if interval is None else f"{interval[0]:.{digits}f} to {interval[1]:.{digits}f}"


@dataclass(frozen=True)
class _Row:
    name: str
    cells: list[Cell]


def _tables(card: Card) -> dict[str, Any]:
    detection = card["detection"]
    parts = {"all": detection, **detection["per_category"]}
    if "masks" in detection:
        parts["all, by masks"] = {**detection["masks"], "ci95": None}
    tables: dict[str, Any] = {
        "figure_names": list(FIGURES),
        "figure_rows": [_Row(name, [_cell(block, figure) for figure in FIGURES]) for name, block in parts.items()],
        "rates": [f"{rate:g}" for rate in RATES_PER_FRAME],
        "alarm_rows": [],
        "rate_rows": [],
        "attribute_rows": [],
        "cause_rows": [],
    }
    if card["false_alarms"] is not None:
        for category, block in card["recall_at_false_alarms"].items():
            tables["alarm_rows"].append(
                _alarm_row(category, card["false_alarms"][category], block["at_working_confidence"])
            )
            shares = [block["per_frame"][rate] for rate in tables["rates"]]
            tables["rate_rows"].append([category, *("–" if share is None else f"{share:.2f}" for share in shares)])
    if card["attributes"] is not None:
        tables["attribute_rows"] = [_attribute_row(card["attributes"], name) for name in (*ATTRIBUTES, "all_four")]
    if card["points"] is not None:
        for cause, loss in card["points"]["lost_to"].items():
            tables["cause_rows"].append([CAUSES[cause], f"{loss['points']:.2f}", str(loss["count"])])
    return tables


def _alarm_row(category: str, alarms: Card, working: Card) -> list[Cell]:
    found = "–" if working["recall"] is None else f"{working['found']} of {working['n']}"
    area = Cell("unknown") if alarms["per_hectare"] is None else Cell(
        f"{alarms['per_hectare']:.2f}", _range(alarms["ci95"]["per_hectare"], 2)
    )  # fmt: skip
    return [
        Cell(category),
        Cell(f"{alarms['at_confidence']:.2f}"),
        Cell(found, _range(working["ci95"], 2)),
        Cell(str(alarms["count"])),
        Cell(f"{alarms['per_frame']:.2f}", _range(alarms["ci95"]["per_frame"], 2)),
        area,
    ]


def _attribute_row(block: Card, name: str) -> list[Cell]:
    found, whole = block[name], block[f"{name}_of_all"]
    words = WORDS.get(name, "all four")
    if not found["n"]:
        return [Cell(words), Cell("–"), Cell("–"), Cell("–"), Cell("0")]
    return [
        Cell(words),
        Cell(percent(found["accuracy"]), _range(found["ci95"], 2)),
        Cell(percent(found["look_alikes_granted"])),
        Cell(percent(whole["accuracy"]), _range(whole["ci95"], 2)),
        Cell(f"{found['n']} of {whole['n']}"),
    ]


def _pictures(card: Card, judgement: Judgement, runs: RunsJudgement | None) -> dict[str, Any]:
    ours = card["truth"] is not None
    pictures: dict[str, Any] = {
        "precision_recall": precision_recall(judgement),
        "free_response": free_response_curves(judgement) if ours else None,
        "area_response": area_response_curves(judgement, runs) if ours else None,
        "error_map": error_map(judgement) if ours else None,
        "confusions": [] if card["attributes"] is None else confusions(judgement, card["attributes"]["confusion"]),
        "reliability": reliability_curves(judgement) if ours else None,
        "location": None,
        "location_words": "",
        "waterfall": None,
    }
    if runs is not None and card["location"]["rmse_m"] is not None:
        block = card["location"]
        pictures["location"] = location_scatter(runs, block["ce90_m"])
        pictures["location_words"] = (
            f"Each dot is a find seen on an object, drawn by how far from it it was put: {block['rmse_m']:.2f} m root mean"
            f" square of {block['n']}; nine in ten lie inside the circle of {block['ce90_m']:.2f} m."
        )
    if card["points"] is not None:
        pictures["waterfall"] = points_waterfall(dict(card["points"]))
    return pictures
