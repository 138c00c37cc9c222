"""The programs that measure drawing: their reckoning, on cases whose answer is known beforehand."""

import json
from pathlib import Path

import numpy as np
import pytest

from benchmarks.drawing import two_samples
from benchmarks.drawing.endurance import MemoryLog, memory_slope, report
from benchmarks.drawing.on_device import covered
from benchmarks.drawing.together import draw_together, rate_until
from benchmarks.drawing.two_samples import CROP_PX, FIGURES, described, judge, spectrum_figures
from mission.mission_file import load_mission
from mission.recipe import Recipe
from synth.chips import ChipSource


def test_overlapping_work_counts_once() -> None:
    assert covered([(5.0, 6.0), (0.0, 2.0), (1.0, 3.0), (1.5, 1.6)]) == 4.0
    assert covered([]) == 0.0


def test_only_what_was_drawn_while_all_were_drawing_counts() -> None:
    assert rate_until([0.5, 1.0, 2.0, 2.9, 3.8], 16, 3.0) == 16 * 4 / 2.9
    assert rate_until([4.0], 16, 3.0) == 4.0  # one batch that took longer than all the time


def _small_source(seed: int) -> ChipSource:
    return ChipSource(Recipe(name="plain"), load_mission("harrow-fen"), seed=seed, chip_px=64)


def _no_source(seed: int) -> ChipSource:
    raise ValueError(f"seed {seed} is not to be had")


def test_processes_draw_together(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(Path(__file__).parents[2]))  # the processes import this module
    drawn = draw_together(_small_source, processes=2, batch=2, seconds=0.2)
    assert len(drawn) == 2 and all(one.rate > 0 and one.first_s > 0 for one in drawn)
    with pytest.raises(RuntimeError, match="seed 7 is not to be had"):
        draw_together(_no_source, processes=1, batch=2, seconds=0.2)


def _rows(growth_mb: float, rng: np.random.Generator, workers: int = 3) -> list[dict[str, object]]:
    """Samples of workers whose memory first rises by 200 MB, then grows by so many MB for 1,000 frames, under noise."""
    rows: list[dict[str, object]] = []
    for pid in range(workers):
        for frames in range(0, 3000, 50):
            mb = 300 + 200 * min(frames / 500, 1) + growth_mb * frames / 1000 + rng.normal(0, 0.5)
            rows.append({"role": "worker", "attempt": 1, "pid": pid, "frames": frames, "own_mb": mb, "resident_mb": mb})
    return rows


@pytest.mark.parametrize("growth_mb", [0.0, 3.0])
def test_slope_of_memory(growth_mb: float) -> None:
    found = memory_slope(_rows(growth_mb, np.random.default_rng(3)), "worker", "own_mb")
    assert found is not None
    assert found[1] < growth_mb < found[2] and found[2] - found[1] < 1.0
    assert ("not shown to be flat" in report(_rows(growth_mb, np.random.default_rng(3)))) == (growth_mb > 1)


def test_the_interval_holds_the_slope_as_often_as_it_says() -> None:
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(200):
        found = memory_slope(_rows(1.0, rng, workers=1), "worker", "own_mb")
        assert found is not None
        held += found[1] <= 1.0 <= found[2]
    assert 0.90 <= held / 200 <= 0.995


def test_few_samples_give_no_slope(tmp_path: Path) -> None:
    log = MemoryLog(tmp_path / "memory.jsonl", every=2, workers=1)
    for done in range(4):
        log(done, 10)
    rows = [json.loads(line) for line in log.path.read_text().splitlines()]
    assert [row["frames"] for row in rows] == [0, 2] and all(row["resident_mb"] > row["own_mb"] > 10 for row in rows)
    assert memory_slope(rows, "parent", "own_mb") is None
    assert "too few samples" in report(rows)


@pytest.mark.parametrize("slope", [-1.0, -2.0])
def test_spectrum_slopes_of_fields_of_known_spectrum(slope: float) -> None:
    n, rng = 256, np.random.default_rng(2)
    f = np.hypot(np.fft.fftfreq(n)[:, None], np.fft.rfftfreq(n)[None])
    f[0, 0] = 1
    field = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((n, n))) * f**slope, s=(n, n))
    found = spectrum_figures(field)
    assert found["slope_fine"] == pytest.approx(slope, abs=0.12)
    assert found["slope_coarse"] == pytest.approx(slope, abs=0.25)
    assert found["one_direction"] < 0.15
    lines = np.broadcast_to(field[:1], (n, n))
    assert spectrum_figures(lines)["one_direction"] > 0.9


def test_a_planted_cue_is_found_and_nothing_is_found_in_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(two_samples, "_TREES", 30)
    monkeypatch.setattr(two_samples, "_REPEATS", 2)
    rng = np.random.default_rng(0)
    number = np.arange(160) // 8
    real, ground = number % 2 == 0, [f"ground {n}" for n in number]
    # Crops of one ground resemble each other: by crop each would be known by heart, by ground that says nothing.
    values = rng.normal(0, 0.2, (160, len(FIGURES))) + rng.normal(0, 2, (20, len(FIGURES)))[number]
    for verdict in judge(values, real, ground, seed=0).values():
        assert verdict.accuracy < 0.75 and verdict.interval[1] - verdict.interval[0] > 0.15
    planted = list(FIGURES).index("noise")
    values = rng.normal(size=values.shape)
    values[:, planted] = real * 4.0 + rng.normal(0, 0.5, 160)
    for verdict in judge(values, real, ground, seed=0).values():
        assert verdict.accuracy > 0.9
        assert max(verdict.importance, key=lambda name: verdict.importance[name]) == "noise"


def test_figures_of_a_crop_of_one_tone_are_numbers() -> None:
    values = described([np.full((CROP_PX, CROP_PX, 3), 90, np.uint8)])
    assert values.shape == (1, len(FIGURES)) and np.isfinite(values).all()
