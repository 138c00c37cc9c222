"""A scorecard in plain sentences, each made of its own figures; what could not be measured is said with its reason."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from eval.causes import CAUSES
from mission.vocabulary import ATTRIBUTES

#: What the reader must know first: what kind of truth the figures were measured on.
FIRST_LINE = {
    "rendered": "Measured on rendered frames; expect less on photographs.",
    "mixed": "Measured on photographs with objects drawn into them; expect less where the objects are real too.",
    "photographed": "Measured on photographs with real objects in them.",
    None: "Measured on a plain COCO truth file, which does not say whether its images are photographs.",
}
_NAMES = {"panel_colour": "panel colour", "mark_colour": "mark colour", "all_four": "all four"}


def sentences(card: Mapping[str, Any]) -> list[str]:
    """The scorecard's main figures in words, what the truth is first."""
    said = [FIRST_LINE[card["truth"]], *_persons(card), _detected(card)]
    said += [text for text in (_false(card), _read(card), _placed(card)) if text]
    if card["points"] is not None:
        said += [*_points(card["points"])]
    elif card["truth"] is not None:
        said.append(f"Points were not counted: {card['why']['points']}.")
    if card["detection"].get("ci95") is None:
        said.append(f"Intervals are withheld: {card['detection']['why']['ci95']}.")
    return said


def percent(value: float) -> str:
    """A share as a whole percentage, but never 100 % or 0 % for what is not quite."""
    if 0.995 <= value < 1:
        return "over 99 %"
    return "under 1 %" if 0 < value < 0.005 else f"{value:.0%}".replace("%", " %")


def range_words(interval: list[float] | None, digits: int = 2) -> str:
    """ " (95 %: 0.81 to 0.90)", or nothing where there is no interval."""
    return f" (95 %: {interval[0]:.{digits}f} to {interval[1]:.{digits}f})" if interval else ""


def _persons(card: Mapping[str, Any]) -> list[str]:
    """People missed, before any average: with how many may be missed for all that is known."""
    block = card.get("persons")
    if not block or not block["n"]:
        return []
    missed = "none" if not block["missed"] else str(block["missed"])
    return [
        f"People: {missed} of {block['n']} missed in every view; with 95 % confidence no more than"
        f" {percent(block['upper95'])} of people like these would be."
    ]


def _detected(card: Mapping[str, Any]) -> str:
    if card["recall_at_false_alarms"] is None:
        block = card["detection"]
        return f"Average precision {block['AP']:.3f}{range_words((block['ci95'] or {}).get('AP'), 3)}, AP50 {block['AP50']:.3f}."
    parts = []
    for category, block in card["recall_at_false_alarms"].items():
        working = block["at_working_confidence"]
        if working["n"]:
            parts.append(f"{working['found']} of {working['n']} views of {_plural(category)} found")
    average = card["detection"]["per_category"].get("panel", {}).get("AP50")
    text = f"At the working confidence {' and '.join(parts)}"
    return text + (f"; AP50 of panels {average:.2f}." if average is not None else ".")


def _plural(category: str) -> str:
    return "people" if category == "person" else f"{category}s"


def _false(card: Mapping[str, Any]) -> str | None:
    if card["false_alarms"] is None:
        return None
    parts = []
    for category, block in card["false_alarms"].items():
        area = "" if block["per_hectare"] is None else f", {block['per_hectare']:.1f} a hectare"
        parts.append(f"{block['count'] or 'none'} for {_plural(category)} ({block['per_frame']:.2f} a frame{area})")
    return f"False alarms: {'; '.join(parts)}."


def _read(card: Mapping[str, Any]) -> str | None:
    block = card["attributes"]
    if block is None or not block["all_four"]["n"]:
        return None
    parts = [f"{_NAMES.get(a, a)} {percent(block[a]['accuracy'])}" for a in (*ATTRIBUTES, "all_four") if block[a]["n"]]
    whole = percent(block["all_four_of_all"]["accuracy"])
    return f"Of the panels found, read right: {', '.join(parts)}; of all panels, all four {whole}."


def _placed(card: Mapping[str, Any]) -> str | None:
    block = card["location"]
    if block is None or block["rmse_m"] is None:
        return None
    return (
        f"Placed to {block['rmse_m']:.2f} m (root mean square of {block['n']} finds); nine in ten lie within"
        f" {block['ce90_m']:.2f} m."
    )


def _counted(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def _points(block: Mapping[str, Any]) -> list[str]:
    counts = block["reports"]
    persons = f", {counts['persons_found']} of {counts['persons']} people" if counts["persons"] else ""
    said = (
        f"Handed in: {counts['panels_found']} of {counts['panels']} panels found{persons},"
        f" {_counted(counts['false'], 'false report')}, {block['mean']:.1f} of {block['possible']:.1f} points a run"
        f"{range_words(block['ci95'], 1)} over {_counted(block['runs'], 'run')}, rulebook '{block['rulebook']}'."
    )
    if not block["lost_to"]:
        return [said]
    cause, loss = next(iter(block["lost_to"].items()))
    cases = _counted(loss["count"], "case")
    return [said, f"Most is lost to this: {CAUSES[cause]} ({loss['points']:.1f} points a run, {cases})."]
