"""The pages in a real browser: no console message, no request, and hostile file names stay text."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from eval.score import score
from mission.frame_set import write_truth
from tests.eval.made_case import made_frame_set, worsened, written

BROWSER = next((path for name in ("chromium", "chromium-browser") if (path := shutil.which(name))), None)


@pytest.mark.skipif(BROWSER is None, reason="no Chromium is installed (apt install chromium)")
def test_report_and_data_sheet_are_quiet_in_chromium(tmp_path: Path) -> None:
    frame_set = made_frame_set(tmp_path / "set", runs=9, images=True)
    name = "frames/a'\"><img src=x onerror=console.log(1)>.png"
    (tmp_path / "set" / frame_set.frames[0].file_name).rename(tmp_path / "set" / name)
    frame_set = replace(frame_set, frames=(replace(frame_set.frames[0], file_name=name), *frame_set.frames[1:]))
    write_truth(tmp_path / "set", frame_set)
    sightings, finds = worsened(frame_set)
    paths = written(tmp_path / "answers", sightings, finds)
    score(frame_set.folder, paths[0], tmp_path / "out", finds=paths[1], rulebook="harrow-fen-brisk")
    for page in ("report.html", "datasheet.html"):
        command = [
            str(BROWSER), "--headless", "--no-sandbox", "--disable-gpu", "--enable-logging=stderr", "--log-level=0",
            f"--user-data-dir={tmp_path / 'profile'}", "--virtual-time-budget=2000", "--dump-dom",
            (tmp_path / "out" / page).as_uri(),
        ]  # fmt: skip
        done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
        assert "CONSOLE" not in done.stderr
        assert (
            "<h1>" in done.stdout
            and "onerror=console.log(1)>" not in done.stdout.replace("&quot;", '"').split("alt=")[0]
        )
        assert 'src="x"' not in done.stdout
