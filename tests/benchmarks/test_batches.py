"""Long tables in batches: the same for any number of processes and stops, and never mixed with another call's."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchmarks.scorecard.batches import Batch, Sums, batches_of, summed


def noted(batch: Batch) -> Sums:
    """A number of its own for every data set of a batch."""
    return np.random.default_rng([batch.row, batch.number]).random((batch.count, 2)).sum(axis=0)


def table(kept: Path, workers: int = 1, **asked: int) -> list[tuple[int, Sums]]:
    return list(summed(noted, batches_of(3, 10, 4), workers=workers, kept=kept, asked=asked or {"sets": 10}))


def test_every_data_set_is_in_one_batch() -> None:
    batches = batches_of(2, 10, 4)
    assert [(b.row, b.count) for b in batches] == [(0, 4), (0, 4), (0, 2), (1, 4), (1, 4), (1, 2)]
    assert len({b.key for b in batches}) == len(batches)


def test_two_processes_give_what_one_gives(tmp_path: Path) -> None:
    one, two = table(tmp_path / "one"), table(tmp_path / "two", workers=2)
    assert [row for row, _ in one] == [row for row, _ in two] == [0, 1, 2]
    np.testing.assert_array_equal([sums for _, sums in one], [sums for _, sums in two])


def test_goes_on_where_it_was_stopped(tmp_path: Path) -> None:
    whole = table(tmp_path / "whole")
    text = (tmp_path / "whole").read_text()
    (tmp_path / "cut").write_text(text[: int(0.6 * len(text))])  # in the middle of a line
    again = table(tmp_path / "cut")
    np.testing.assert_array_equal([sums for _, sums in whole], [sums for _, sums in again])
    begun = (tmp_path / "cut").read_text()
    table(tmp_path / "cut")
    assert (tmp_path / "cut").read_text() == begun  # nothing was left to do


def test_results_of_another_call_are_refused(tmp_path: Path) -> None:
    table(tmp_path / "kept")
    with pytest.raises(SystemExit, match="must hold results of the same call"):
        table(tmp_path / "kept", sets=11)
