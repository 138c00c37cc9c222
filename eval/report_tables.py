"""Tables of the report that stand on blocks of the scorecard: parts of the frame set, causes, place, what leaving out buys."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from eval.fates import FATES
from eval.location_split import SOURCES
from mission.vocabulary import ATTRIBUTES

Card = Mapping[str, Any]

_SLICES = {
    "view_angle_deg": "tilt of the view [deg]",
    "light_L": "lightness of the frame [L*]",
    "ground": "ground",
    "pixels_across": "pixels across the object",
    "visible": "share of the object that is visible",
    "panel_against_ground_dL": "panel against ground [L* apart]",
    "mark_against_panel_dL": "light against dark inside the panel [L* apart]",
}
_STATISTICS = {
    "rmse_m": "root mean square error",
    "rmse_east_m": "of it east",
    "rmse_north_m": "of it north",
    "bias_east_m": "bias east",
    "bias_north_m": "bias north",
    "ce90_m": "nine in ten lie within",
    "ce90_upper_m": "upper bound of that (97.5 %)",
    "nssda95_m": "NSSDA accuracy at 95 %",
}


def more_tables(card: Card) -> dict[str, Any]:
    """Rows of text for each table; empty where there is nothing to show."""
    return {
        "slice_tables": slice_tables(card.get("slices") or {}),
        "fate_rows": fate_rows(card.get("causes")),
        "place_rows": place_rows(card.get("location")),
        "split_rows": split_rows(card.get("location")),
        "unread_rows": unread_rows(card.get("calibration")),
        "best_confidence": best_confidence_words(card.get("points")),
    }


def _number(value: float | None, digits: int = 2) -> str:
    return "–" if value is None else f"{value:.{digits}f}"


def _range(interval: list[float] | None) -> str:
    return "" if interval is None else f" ({interval[0]:.2f} to {interval[1]:.2f})"


def slice_tables(slices: Card) -> list[tuple[str, list[list[str]]]]:
    """Words of each slice and its rows: part, objects, share found, AP50, AP."""
    return [
        (
            _SLICES.get(name, name),
            [
                [
                    str(part["part"]),
                    str(part["objects"]),
                    _number(part["recall"]) + _range(part["recall_ci95"]),
                    _number(part["AP50"]),
                    _number(part["AP"]),
                ]
                for part in parts
            ],
        )
        for name, parts in slices.items()
    ]


def fate_rows(causes: Card | None) -> list[list[str]]:
    """Cause in words, objects, reports."""
    if not causes:
        return []
    named = [cause for cause in FATES if causes["objects"].get(cause) or causes["reports"].get(cause)]
    words = dict(FATES)
    kinds = ", ".join(f"{kind.replace('_', ' ')} {n}" for kind, n in causes.get("look_alikes", {}).items())
    if kinds:
        words["false_on_look_alike"] += f" ({kinds})"
    return [
        [words[cause], str(causes["objects"].get(cause, "")), str(causes["reports"].get(cause, ""))] for cause in named
    ]


def place_rows(location: Card | None) -> list[list[str]]:
    """Statistic in words and metres."""
    if not location or not location["n"]:
        return []
    rows = [[words, f"{location[key]:.2f} m"] for key, words in _STATISTICS.items() if location.get(key) is not None]
    claimed = location.get("claimed_ellipses")
    if claimed:
        for share in ("0.5", "0.9", "0.95"):
            rows.append([f"true places inside the claimed {float(share):.0%} ellipse", f"{claimed[share]:.0%}"])
    return rows


def split_rows(location: Card | None) -> list[list[str]]:
    """Source of place error and its root mean square."""
    split = location.get("split") if location else None
    return [] if not split else [[source, f"{split[source]:.2f} m"] for source in SOURCES]


def unread_rows(calibration: Card | None) -> list[list[str]]:
    """Share kept, then the share wrong of each attribute."""
    tables = [(calibration or {}).get(attribute, {}).get("cannot_be_read") or [] for attribute in ATTRIBUTES]
    if not all(tables):
        return []
    return [[f"{rows[0]['kept']:.0%}", *(f"{row['wrong']:.1%}" for row in rows)] for rows in zip(*tables, strict=True)]


def best_confidence_words(points: Card | None) -> str | None:
    """The confidence that would have earned most, or None."""
    best = points.get("best_confidence") if points else None
    if not best:
        return None
    if not best["confidence"] > 0:
        return f"Handing in all finds earned most on {best['chosen_on_runs']} of the runs; no higher confidence earned more."
    return (
        f"Handing in only finds of confidence {best['confidence']:.2f} and more earned most on {best['chosen_on_runs']} of the"
        f" runs; on the other {best['stated_on_runs']} it earns {best['points_with_it']:.1f} a run, all finds"
        f" {best['points_with_all_finds']:.1f}."
    )
