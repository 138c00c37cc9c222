"""A comparison told: as a short Markdown text, as JUnit XML for a build server, and as a renewed baseline."""

from __future__ import annotations

import datetime
import shutil
from collections.abc import Sequence
from typing import Any
from xml.etree import ElementTree

from eval.compare import Comparison, Loss
from eval.system import System
from mission.atomic import replacing, write_json
from mission.errors import InputError

#: Exit codes of the guard. 2 is broken input.
EXIT = {"held": 0, "worse": 1, "cannot tell": 3}
_HEADINGS = ("figure", "before", "after", "change for the worse (95 %)", "allowed", "verdict")
_SAID = {
    "held": "Held: every figure is within its margin.",
    "worse": "Worse: at least one figure lost more than its margin, beyond chance.",
    "cannot tell": "Cannot tell: nothing is surely worse, but not every figure is surely within its margin.",
}


def rows(comparison: Comparison) -> list[tuple[str, ...]]:
    """One row of text per figure, the worst verdict first."""
    order = {"worse": 0, "cannot tell": 1, "held": 2}
    return [_row(loss) for loss in sorted(comparison.losses, key=lambda loss: order[loss.verdict])]


def _row(loss: Loss) -> tuple[str, ...]:
    digits = loss.kind.digits

    def number(value: float | None) -> str:
        return "–" if value is None else f"{value:.{digits}f}"

    lost = "–" if loss.loss is None else f"{loss.loss:+.{digits}f}"
    if loss.range95 is not None:
        lost += f" ({loss.range95[0]:+.{digits}f} to {loss.range95[1]:+.{digits}f})"
    verdict = loss.verdict if loss.why is None else f"{loss.verdict}: {loss.why}"
    return loss.kind.words, number(loss.before), number(loss.after), lost, number(loss.margin), verdict


def headings() -> tuple[str, ...]:
    """Headings of ``rows``."""
    return _HEADINGS


def noise_words(comparison: Comparison) -> str:
    """What the ranges hold and what they cannot."""
    said = f"Paired over {comparison.clusters} groups of like frames"
    if comparison.frame_noise is not None:
        said += f"; AP differs by {comparison.frame_noise:.4f} (one standard error) from the choice of frames"
    if comparison.training_noise is None:
        return (
            said
            + ". Training noise is unknown: a side has one scorecard; hand over several seeds a side to measure it."
        )
    first, second = comparison.seeds
    return said + f" and {comparison.training_noise:.4f} from training ({first} and {second} scorecards)."


def markdown(comparison: Comparison, title: str) -> str:
    """The verdict, the table, and what noise was counted."""
    lines = [f"## {_plain(title)}", "", _SAID[comparison.verdict], "", _line(_HEADINGS)]
    lines.append(_line(["---", "---:", "---:", "---:", "---:", "---"]))
    lines += [_line(row) for row in rows(comparison)]
    return "\n".join([*lines, "", noise_words(comparison), ""])


def _line(cells: Sequence[str]) -> str:
    return "| " + " | ".join(_plain(cell) for cell in cells) + " |"


def _plain(text: str) -> str:
    """Text that cannot break out of a Markdown table or bring markup along."""
    for sign in "\\|`*_[]<>#":
        text = text.replace(sign, "\\" + sign)
    return " ".join(text.split())


def junit(comparison: Comparison, title: str) -> bytes:
    """JUnit XML: one test case per figure; worse fails it, what cannot be told skips it."""
    counts = [loss.verdict for loss in comparison.losses]
    suite = ElementTree.Element(
        "testsuite",
        name=_xml(title),
        tests=str(len(counts)),
        failures=str(counts.count("worse")),
        skipped=str(counts.count("cannot tell")),
        errors="0",
    )
    for loss in comparison.losses:
        case = ElementTree.SubElement(suite, "testcase", classname="guard", name=_xml(loss.name))
        _, before, after, lost, margin, _ = _row(loss)
        words = _xml(f"{loss.kind.words}: {before} before, {after} after, {lost} for the worse, {margin} allowed")
        if loss.verdict == "worse":
            ElementTree.SubElement(case, "failure", message=words)
        elif loss.verdict == "cannot tell":
            ElementTree.SubElement(case, "skipped", message=words if loss.why is None else _xml(f"{words}; {loss.why}"))
    root = ElementTree.Element("testsuites")
    root.append(suite)
    return ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)


def _xml(text: str) -> str:
    """Text without the control characters that XML 1.0 does not allow."""
    return "".join(c for c in text if c in "\t\n\r" or (c >= " " and c not in "\ufffe\uffff"))


def accept(baselines: Sequence[System], scorecards: Sequence[System], reason: str, today: datetime.date) -> None:
    """Put the scorecards in the place of the baselines; the reason is kept in each, with all earlier ones.

    InputError where the reason is empty or the numbers differ; the evidence is replaced before the scorecard that names it.
    """
    if not reason.strip():
        raise InputError("The reason must say why the baseline is renewed. Got nothing instead.")
    if len(baselines) != len(scorecards):
        raise InputError(
            f"The scorecards must be as many as the baselines that they replace, {len(baselines)}."
            f" Got {len(scorecards)} instead."
        )
    for old, new in zip(baselines, scorecards, strict=True):
        entry = {
            "reason": reason.strip(),
            "date": today.isoformat(),
            "replaced_evidence_sha256": old.card["evidence_sha256"],
            "replaced_bundle": old.card.get("bundle"),
        }
        card: dict[str, Any] = {**new.card, "accepted": [*old.card.get("accepted", []), entry]}
        if old.folder.resolve() != new.folder.resolve():
            with replacing(old.folder / "evidence.npz") as temporary:
                shutil.copyfile(new.folder / "evidence.npz", temporary)
        write_json(old.folder / "scorecard.json", card, indent=1)
