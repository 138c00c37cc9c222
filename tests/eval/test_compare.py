"""Paired comparison: verdicts, noise of seeds, refusals; held against plain formulas where they exist."""

from __future__ import annotations

import datetime
import json
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from eval.compare import compare
from eval.score import score
from eval.system import read_system
from eval.verdict import accept, junit, markdown
from mission.errors import InputError
from mission.frame_set import FrameSet
from mission.sightings import Sightings
from tests.eval.made_case import made_frame_set, perfect_finds, perfect_sightings, worsened, written


def scored(frame_set: FrameSet, folder: Path, sightings: Sightings) -> Path:
    paths = written(folder / "answers", sightings, perfect_finds(frame_set, sightings))
    score(frame_set.folder, paths[0], folder, finds=paths[1], rulebook="harrow-fen-brisk")
    return folder


def thinned(sightings: Sightings, share: float, seed: int) -> Sightings:
    kept = np.random.default_rng(seed).random(len(sightings.sightings)) >= share
    return replace(sightings, sightings=tuple(s for s, k in zip(sightings.sightings, kept) if k))


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    base = tmp_path_factory.mktemp("compared")
    frame_set = made_frame_set(base / "frames", runs=16, panels=4)
    good = perfect_sightings(frame_set)
    made = {"good": good, "slightly": thinned(good, 0.02, 1), "poor": thinned(good, 0.3, 2)}
    made |= {f"seed-{i}": thinned(good, 0.1, 10 + i) for i in range(4)}
    folders = {name: scored(frame_set, base / name, sightings) for name, sightings in made.items()}
    return folders | {"same": folders["good"]}


def verdict(folders: dict[str, Path], before: list[str], after: list[str], **options: object):
    sides = [[read_system(folders[name]) for name in side] for side in (before, after)]
    return compare(*sides, draws=300, **options)  # type: ignore[arg-type]


def test_equal_systems_are_held_and_a_poor_one_is_worse(folders: dict[str, Path]) -> None:
    assert verdict(folders, ["good"], ["same"]).verdict == "held"
    poor = verdict(folders, ["good"], ["poor"])
    assert poor.verdict == "worse"
    assert {loss.name for loss in poor.losses if loss.verdict == "worse"} >= {"detection.AP", "recall.panel"}
    assert verdict(folders, ["poor"], ["good"]).verdict == "held"


def test_a_small_loss_within_noise_cannot_be_told(folders: dict[str, Path]) -> None:
    found = verdict(folders, ["good"], ["slightly"])
    assert found.verdict == "cannot tell"
    assert found.training_noise is None


def test_wide_margins_hold_a_small_loss(folders: dict[str, Path]) -> None:
    margins = {loss.name: 10.0 for loss in verdict(folders, ["good"], ["slightly"]).losses}
    assert verdict(folders, ["good"], ["slightly"], margins=margins).verdict == "held"


def test_seeds_widen_the_range_by_their_spread(folders: dict[str, Path]) -> None:
    several = verdict(folders, ["seed-0", "seed-1"], ["seed-2", "seed-3"])
    assert several.training_noise is not None and several.training_noise > 0
    ap = {name: read_system(folders[name]).card["detection"]["AP"] for name in folders}
    spread = sum(np.var([ap[f"seed-{i}"], ap[f"seed-{i + 1}"]], ddof=1) / 2 for i in (0, 2))
    assert several.training_noise == pytest.approx(np.sqrt(spread), rel=1e-6)


def test_paired_loss_of_recall_is_the_plain_difference(folders: dict[str, Path]) -> None:
    found = {loss.name: loss for loss in verdict(folders, ["good"], ["poor"]).losses}["recall.panel"]
    cards = [read_system(folders[name]).card for name in ("good", "poor")]
    recalls = [c["recall_at_false_alarms"]["panel"]["at_working_confidence"]["recall"] for c in cards]
    assert found.loss == pytest.approx(recalls[0] - recalls[1])


def test_standard_error_is_that_of_a_paired_mean_over_clusters(folders: dict[str, Path]) -> None:
    # One frame a cluster with 4 panels each: the loss of recall is a plain mean of 16 paired differences.
    systems = [read_system(folders[name]) for name in ("good", "poor")]
    hits = []
    for system in systems:
        m = system.matches
        hits.append(np.bincount(m.det_frame[m.true() & (m.det_category == 0)], minlength=m.frames) / 4)
    expected = (hits[0] - hits[1]).std(ddof=1) / np.sqrt(16)
    found = {x.name: x for x in compare(systems[:1], systems[1:], draws=4000).losses}["recall.panel"]
    assert found.range95 is not None
    from scipy.stats import t

    assert (found.range95[1] - found.range95[0]) / 2 / t.ppf(0.975, 15) == pytest.approx(expected, rel=0.04)


def test_another_frame_set_is_refused(tmp_path: Path, folders: dict[str, Path]) -> None:
    other = made_frame_set(tmp_path / "frames", runs=9, seed=4)
    folder = scored(other, tmp_path / "card", worsened(other)[0])
    with pytest.raises(InputError, match="must be of the same frame set"):
        compare([read_system(folders["good"])], [read_system(folder)])


def test_rendered_and_photographed_truth_are_never_mixed(tmp_path: Path, folders: dict[str, Path]) -> None:
    made = replace(made_frame_set(tmp_path / "frames", runs=9), truth="photographed")
    from mission.frame_set import write_truth

    write_truth(tmp_path / "frames", made)
    folder = scored(made, tmp_path / "card", perfect_sightings(made))
    with pytest.raises(InputError, match="Got photographed and rendered truth instead"):
        compare([read_system(folders["good"])], [read_system(folder)])


def test_unknown_margin_is_refused(folders: dict[str, Path]) -> None:
    with pytest.raises(InputError, match="must be for a figure of the baseline"):
        verdict(folders, ["good"], ["same"], margins={"detection.APP": 0.1})


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda f: (f / "evidence.npz").unlink(), "must lie beside its scorecard"),
        (lambda f: (f / "evidence.npz").write_bytes(b"PK\x03\x04"), "must be the one that its scorecard names"),
        (lambda f: (f / "scorecard.json").write_text('{"format": "scorecard/9"}'), "must be scorecard/1"),
        (lambda f: (f / "scorecard.json").write_text("{"), "must be whole JSON"),
    ],
)
def test_broken_scorecards_are_refused(tmp_path: Path, folders: dict[str, Path], spoil, message: str) -> None:
    import shutil

    copy = tmp_path / "copy"
    shutil.copytree(folders["good"], copy)
    spoil(copy)
    with pytest.raises(InputError, match=message):
        read_system(copy)


def test_pickled_evidence_is_never_opened(tmp_path: Path, folders: dict[str, Path]) -> None:
    import hashlib
    import shutil

    copy = tmp_path / "copy"
    shutil.copytree(folders["good"], copy)
    np.savez(copy / "evidence.npz", categories=np.array([{"a": 1}], dtype=object))
    card = json.loads((copy / "scorecard.json").read_text())
    card["evidence_sha256"] = hashlib.sha256((copy / "evidence.npz").read_bytes()).hexdigest()
    (copy / "scorecard.json").write_text(json.dumps(card))
    with pytest.raises(InputError, match="must be whole arrays in NPZ"):
        read_system(copy)


def test_markdown_and_junit_say_what_is_worse(folders: dict[str, Path]) -> None:
    found = verdict(folders, ["good"], ["poor"])
    text = markdown(found, "Guard | <script>")
    assert text.startswith("## Guard \\| \\<script\\>") and "Worse: at least one figure" in text
    suite = ElementTree.fromstring(junit(found, "Guard\x00"))[0]
    worse = [loss for loss in found.losses if loss.verdict == "worse"]
    assert int(suite.get("failures", "0")) == len(worse) == len(suite.findall("testcase/failure"))
    assert int(suite.get("tests", "0")) == len(found.losses)


def test_markdown_is_one_table_to_a_parser(folders: dict[str, Path]) -> None:
    from markdown_it import MarkdownIt

    found = verdict(folders, ["good"], ["poor"])
    tokens = MarkdownIt("commonmark").enable("table").parse(markdown(found, "Guard | `rm` <b>[x](y)</b>"))
    kinds = [token.type for token in tokens]
    assert kinds.count("table_open") == 1 and kinds.count("heading_open") == 1
    assert kinds.count("tr_open") == 1 + len(found.losses)
    assert kinds.count("td_open") == kinds.count("th_open") * len(found.losses)
    inline = [child.type for token in tokens for child in token.children or []]
    assert set(inline) <= {"text", "text_special"}  # no markup was smuggled in
    assert "Guard | `rm` <b>[x](y)</b>" in ["".join(c.content for c in t.children or []) for t in tokens]


def test_junit_holds_only_what_build_servers_read(folders: dict[str, Path]) -> None:
    # Elements and attributes that readers of JUnit's files share; there is no standard of it (common practice, no source).
    known = {
        "testsuites": set(),
        "testsuite": {"name", "tests", "failures", "skipped", "errors"},
        "testcase": {"classname", "name"},
        "failure": {"message"},
        "skipped": {"message"},
    }
    for after in ("good", "slightly", "poor"):
        found = verdict(folders, ["good"], [after])
        root = ElementTree.fromstring(junit(found, 'Guard <&"\x1b>'))
        for element in root.iter():
            assert set(element.attrib) <= known[element.tag]
        assert root[0].get("name") == 'Guard <&">'
        outcomes = {case.get("name"): [child.tag for child in case] for case in root.iter("testcase")}
        tags = {"worse": ["failure"], "held": [], "cannot tell": ["skipped"]}
        assert outcomes == {loss.name: tags[loss.verdict] for loss in found.losses}


def test_accept_keeps_every_reason(tmp_path: Path, folders: dict[str, Path]) -> None:
    import shutil

    base = tmp_path / "base"
    shutil.copytree(folders["good"], base)
    for reason, name in (("first", "poor"), ("second", "slightly")):
        accept([read_system(base)], [read_system(folders[name])], reason, datetime.date(2030, 1, 2))
    card = read_system(base).card
    assert [entry["reason"] for entry in card["accepted"]] == ["first", "second"]
    assert compare([read_system(base)], [read_system(folders["slightly"])], draws=50).verdict == "held"
    with pytest.raises(InputError, match="must say why"):
        accept([read_system(base)], [read_system(folders["good"])], " ", datetime.date(2030, 1, 2))
