"""Texture tiles between processes: each is drawn once, whoever needs it, and nobody waits for the dead."""

import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from synth import ground_tiles, tile_drawing, tile_store

_SHARER = """
import sys, time
import numpy as np
from synth import tile_store

def draw(name):
    with open(sys.argv[1], "a") as log:
        log.write(name + "\\n")
    def slowly():
        time.sleep(0.03)
        return np.zeros((1, 2, 2), np.int8)
    tile_store.stored(name, (1, 2, 2), slowly)

names = [f"tile-{n}" for n in range(12)]
tile_store.shared_out(names, draw)
assert not tile_store.missing(names)
"""
_DIES_CLAIMING = """
import os
from synth import tile_store

assert tile_store._claim(tile_store._claims(), "tile-0")
print("claimed", flush=True)
{end}
"""


def _start(code: str, *words: str) -> "subprocess.Popen[str]":
    return subprocess.Popen([sys.executable, "-c", code, *words], stdout=subprocess.PIPE, text=True)


@pytest.fixture(autouse=True)
def _own_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setattr(ground_tiles, "_asked", set())


def test_processes_share_tiles_out(tmp_path: Path) -> None:
    log = tmp_path / "log"
    sharers = [_start(_SHARER, str(log)) for _ in range(3)]
    assert [sharer.wait(30) for sharer in sharers] == [0, 0, 0]
    drawn = log.read_text().split()
    assert len(drawn) == 12 and len(set(drawn)) == 12


def test_a_dead_process_holds_no_tile() -> None:
    dead = _start(_DIES_CLAIMING.format(end="os._exit(9)"))
    assert dead.wait(30) == 9
    drawn: list[str] = []
    tile_store.shared_out(["tile-0"], drawn.append)
    assert drawn == ["tile-0"]


def test_a_halted_process_is_waited_for_so_long_only(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tile_store, "PATIENCE_S", 0.2)
    halted = _start(_DIES_CLAIMING.format(end="import time; time.sleep(60)"))
    try:
        assert halted.stdout is not None and halted.stdout.readline() == "claimed\n"
        drawn: list[str] = []
        start = time.monotonic()
        tile_store.shared_out(["tile-0", "tile-1"], drawn.append)
        assert drawn == ["tile-1"]  # tile-0 is left to whoever needs it
        assert 0.2 <= time.monotonic() - start < 10
    finally:
        halted.kill()
        halted.wait()


def test_helpers_draw_the_same_tiles(monkeypatch: pytest.MonkeyPatch) -> None:
    # Two kinds that are quick to draw, at scales that no other test asks for.
    keys = [(kind, variant, step) for kind in ("sheeting", "bark") for variant in (0, 1) for step in (-21, -20)]
    monkeypatch.setattr(tile_drawing, "_cores", lambda: 3)
    ground_tiles.make_ready(keys, all_cores=True)
    assert not tile_store.missing([ground_tiles._name(*key) for key in keys])
    folder = tile_store._folder()
    assert not [path.name for path in folder.iterdir() if path.name.startswith(".")]  # nothing half-written
    for key in keys[::3]:
        kept = np.load(folder / f"{ground_tiles._name(*key)}.npy", allow_pickle=False)
        np.testing.assert_array_equal(kept, ground_tiles._drawn(*key))


def test_of_processes_at_a_time_one_has_helpers(monkeypatch: pytest.MonkeyPatch) -> None:
    started: list[object] = []

    class Helper:
        def __init__(self, *_: object, **__: object) -> None:
            started.append(self)

        def terminate(self) -> None: ...

        def wait(self) -> None: ...

    monkeypatch.setattr(tile_drawing, "_cores", lambda: 3)
    monkeypatch.setattr(subprocess, "Popen", Helper)
    keys = [("bark", 0, step) for step in range(4)]
    with tile_drawing.drawn_by_all_cores(keys):
        assert len(started) == 2
    monkeypatch.setattr(tile_store, "_claim", lambda claims, name: False)  # as where another process has it
    with tile_drawing.drawn_by_all_cores(keys):
        assert len(started) == 2


def test_helpers_alone_draw_them_all() -> None:
    keys = [("bark", 0, -19), ("bark", 1, -19), ("sheeting", 0, -19)]
    words = [str(part) for key in keys for part in key]
    done = subprocess.run([sys.executable, "-m", "synth.tile_drawing", *words], check=False)
    assert done.returncode == 0
    assert not tile_store.missing([ground_tiles._name(*key) for key in keys])


def test_without_a_store_nothing_is_lost(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "panelscout").write_text("a file where the folder should be")
    drawn: list[str] = []
    tile_store.shared_out(["tile-0"], drawn.append)
    assert drawn == []
    planes = tile_store.stored("tile-0", (1, 2, 2), lambda: np.ones((1, 2, 2), np.int8))
    assert planes.sum() == 4
