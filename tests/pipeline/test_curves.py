"""Curves: what is kept of a training that was killed, the picture, and TensorBoard's files."""

from __future__ import annotations

import builtins
import io

import pytest
from PIL import Image

from mission.errors import InputError
from pipeline.curves import CurveFile, Point, TensorBoardLog, draw_curves
from pipeline.training import Report


def report(step, loss, **figures):
    return Report("detector", step, 0.5, losses={"heat": loss}, figures=figures)


def test_a_training_that_went_on_from_an_earlier_step_has_one_curve(tmp_path):
    curve = CurveFile(tmp_path, "detector")
    for step, loss in ((10, 5.0), (20, 4.0), (30, 3.0)):
        curve.add(report(step, loss))
    with curve.path.open("a") as file:
        file.write('{"step": 35, "los')  # killed while writing
        file.write("\n")
    curve.add(report(25, 3.5))
    curve.add(Report("detector", 25, 1.0, figures={"panel AP50": 0.5, "person AP50": float("nan")}))
    curve.add(Report("detector", 25, 1.0, note="nothing to draw"))
    assert [(p.step, dict(p.losses), dict(p.figures)) for p in curve.points()] == [
        (10, {"heat": 5.0}, {}),
        (20, {"heat": 4.0}, {}),
        (25, {"heat": 3.5}, {}),
        (25, {}, {"panel AP50": 0.5}),
    ]
    assert CurveFile(tmp_path, "readers").points() == []


def test_the_picture_shows_its_curves_and_needs_none():
    points = [Point(step, {"heat": 100 / step}, {"panel AP50": step / 100}) for step in (1, 10, 50)]
    bare = Image.open(io.BytesIO(draw_curves({"detector": [], "readers": []}) or b""))
    drawn = Image.open(io.BytesIO(draw_curves({"detector": points, "readers": []}) or b""))
    left = (0, 0, drawn.width // 2, drawn.height)
    assert drawn.size == bare.size == (1040, 700)
    assert drawn.crop(left).tobytes() != bare.crop(left).tobytes()
    assert draw_curves({"detector": points}) == draw_curves({"detector": points})


def without(monkeypatch, package):
    real = builtins.__import__

    def refuse(name, *arguments, **options):
        if name.split(".")[0] == package or name == f"torch.utils.{package}":
            raise ImportError(name)
        return real(name, *arguments, **options)

    monkeypatch.setattr(builtins, "__import__", refuse)


def test_without_matplotlib_there_is_no_picture(monkeypatch):
    without(monkeypatch, "matplotlib")
    assert draw_curves({"detector": []}) is None


def test_without_tensorboard_its_option_is_refused_before_anything_starts(monkeypatch, tmp_path):
    without(monkeypatch, "tensorboard")
    with pytest.raises(InputError, match=r"must find the package tensorboard .* Got no such package instead"):
        TensorBoardLog(tmp_path / "board")


def test_tensorboard_reads_back_what_was_written(tmp_path):
    pytest.importorskip("tensorboard")
    from tensorboard.backend.event_processing.event_accumulator import EventAccumulator

    log = TensorBoardLog(tmp_path)
    log.close()
    assert not list(tmp_path.iterdir())  # nothing reported, nothing written
    log.add(report(3, 2.5))
    log.add(report(6, 1.5, **{"panel AP50": 0.25}))
    log.close()
    board = EventAccumulator(str(tmp_path))
    board.Reload()
    assert [(e.step, e.value) for e in board.Scalars("detector loss/heat")] == [(3, 2.5), (6, 1.5)]
    assert [(e.step, e.value) for e in board.Scalars("detector held out/panel AP50")] == [(6, 0.25)]
