"""Print the results of the transfer loop as a Markdown table: mean over the flights, and the worst flight.

    python -m benchmarks.transfer.table results.jsonl [more.jsonl ...] [--flights building-site park allotment] [--parts]

``--parts`` adds all four attributes by size and by stroke, and people missed with the upper bound of Clopper and Pearson, all
flights and seeds of a row together.
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.transfer.ingredients import FEW, ROWS, Row
from eval.proportions import exact_upper_bound

#: Figure -> heading, decimals, whether more is better.
COLUMNS: dict[str, tuple[str, int, bool]] = {
    "ap50": ("panel AP50", 2, True),
    "recall_at_0.2": ("recall at 0.2", 2, True),
    "recall_at_1": ("at 1", 2, True),
    "recall_at_5": ("at 5", 2, True),
    "recall_at_1_untouched": ("at 1, untouched", 2, True),
    "alarms_at_90": ("alarms at 90 %", 1, False),
    "alarms_at_90_per_hectare_untouched": ("per ha, untouched", 1, False),
    "all_four": ("all four", 2, True),
    "all_four_large": ("all four, >= 40 px", 2, True),
    "all_four_of_all": ("of all", 2, True),
    "person_recall_at_1": ("people at 1", 2, True),
}


def read_results(paths: Sequence[Path], flights: Sequence[str] = ()) -> list[dict[str, Any]]:
    """The results in JSON-lines files, those of some flights only where flights are named."""
    lines = [json.loads(line) for path in paths for line in path.read_text().splitlines() if line.strip()]
    return [r for r in lines if not flights or r["flight"] in flights]


def by_flight(results: list[dict[str, Any]], figure: str) -> list[float | None]:
    """A figure's mean over seeds for each flight; None where no seed could measure it."""
    values: dict[str, list[float]] = defaultdict(list)
    flights = sorted({r["flight"] for r in results})
    for result in results:
        if result.get(figure) is not None:
            values[result["flight"]].append(result[figure])
    return [float(np.mean(values[flight])) if values[flight] else None for flight in flights]


def cell(values: list[float | None], decimals: int, more_is_better: bool) -> str:
    """ "mean (worst)"; a flight where the figure was never reached is the worst one and is shown as "never"."""
    known = [v for v in values if v is not None]
    if not known:
        return "–"
    worst = min(known) if more_is_better else max(known)
    text = "never" if len(known) < len(values) else f"{worst:.{decimals}f}"
    return f"{np.mean(known):.{decimals}f} ({text})"


#: Heading of each block -> whether a row belongs to it.
BLOCKS: dict[str, Callable[[Row], bool]] = {
    "Photographs as ground, one flight left out at a time; procedural ground": lambda row: (
        row.leaves_out == "one" and row.chips is None
    ),
    "Two flights as ground, judged on the three others": lambda row: row.leaves_out == "three",
    f"Procedural ground, {FEW} chips a row, judged on all flights": lambda row: (
        row.leaves_out == "one" and row.chips == FEW
    ),
}


def table(results: list[dict[str, Any]]) -> str:
    """Markdown: a table for each block, one line a row, in the order of the rows' definition."""
    done = {r["row"] for r in results}
    parts = []
    for heading, belongs in BLOCKS.items():
        rows = [name for name, row in ROWS.items() if name in done and belongs(row)]
        if rows:
            parts.append(f"**{heading}**\n\n" + block(results, rows))
    return "\n\n".join(parts)


def markdown(lines: Sequence[Sequence[str]]) -> str:
    """Rows of cells, the first one the heading."""
    head, *rest = ("| " + " | ".join(line) + " |" for line in lines)
    return "\n".join([head, "|" + " --- |" * len(lines[0]), *rest])


def block(results: list[dict[str, Any]], rows: Sequence[str]) -> str:
    """One table of these rows."""
    heading = ["row", "what differs", "seeds", "steps", "chips", *[title for title, _, _ in COLUMNS.values()]]
    lines = [heading]
    for name in rows:
        mine = [r for r in results if r["row"] == name]
        cells = [cell(by_flight(mine, figure), decimals, better) for figure, (_, decimals, better) in COLUMNS.items()]
        seeds = len({r["seed"] for r in mine})
        steps, chips = (str(round(float(np.mean([r[key] for r in mine])))) for key in ("steps", "chips"))
        lines.append([name, ROWS[name].says, str(seeds), steps, chips, *cells])
    return markdown(lines)


def parts_table(results: list[dict[str, Any]], key: str, heading: str) -> str:
    """Of the panels found at one false alarm a frame, all four right and (with look-alikes granted), by a range, a line a row."""
    known = [r for r in results if r.get(key)]
    if not any(part["panels"] for r in known for part in r[key]):
        return ""
    lines = [["row", *(f"{part['part']} {heading}" for part in known[0][key])]]
    for name in [name for name in ROWS if any(r["row"] == name for r in known)]:
        cells = []
        for parts in zip(*(r[key] for r in known if r["row"] == name), strict=True):
            found, whole, alike = (sum(part[count] for part in parts) for count in ("found", "all_four", "alike"))
            cells.append(f"{whole / found:.2f} ({alike / found:.2f}) of {found}" if found else "–")
        lines.append([name, *cells])
    return markdown(lines)


def people_table(results: list[dict[str, Any]]) -> str:
    """People missed where as many false reports of people are raised as the figure says, with the 95 % upper bound."""
    rates = ("0.2", "1")
    lines = [["row", "people", *(f"missed at {rate} false people a frame (at most)" for rate in rates)]]
    for name in [name for name in ROWS if any(r["row"] == name and r["persons"] for r in results)]:
        mine = [r for r in results if r["row"] == name and r["persons"]]
        asked, cells = sum(r["persons"] for r in mine), []
        for rate in rates:
            missed = sum(r["persons"] - round(r[f"person_recall_at_{rate}"] * r["persons"]) for r in mine)
            cells.append(f"{missed / asked:.2f} ({exact_upper_bound(missed, asked):.2f})")
        lines.append([name, str(asked), *cells])
    return markdown(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("results", type=Path, nargs="+")
    parser.add_argument("--flights", nargs="*", default=[])
    parser.add_argument("--parts", action="store_true", help="also by size and stroke, and people missed")
    given = parser.parse_args()
    results = read_results(given.results, given.flights)
    print(table(results))
    if given.parts:
        print(
            "", parts_table(results, "by_size", "px"), "", parts_table(results, "by_stroke", "px of stroke"), sep="\n"
        )
        print("", people_table(results), sep="\n")


if __name__ == "__main__":
    main()
