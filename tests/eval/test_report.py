"""The report: whole in one file, its words first, nothing from outside trusted, nobody recognisable."""

from __future__ import annotations

import base64
import io
import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from eval.gallery import unrecognisable
from eval.score import score
from eval.summary import FIRST_LINE
from mission.cautions import CAUTIONS
from mission.frame_set import write_truth
from tests.eval.made_case import made_frame_set, worsened, written

HOSTILE = "<script>alert('x')</script>&\"quoted\""


class Page(HTMLParser):
    """Tags with their attributes, and the text outside style sheets."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self._skip = False
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._skip = tag in ("style", "title") and "svg" not in [t for t, _ in self.tags[-2:]]

    def handle_endtag(self, tag: str) -> None:
        self._skip = False

    def handle_data(self, data: str) -> None:
        if data.strip() and not self._skip:
            self.text.append(data.strip())


@pytest.fixture(scope="module")
def hostile_report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A report of a frame set and bundle whose names try to be markup."""
    folder = tmp_path_factory.mktemp("report")
    made = made_frame_set(folder / "set", runs=9, images=True)
    frames = []
    for frame in made.frames:
        name = f"frames/{frame.id} <img src=x onerror=alert(1)>.png"
        (made.folder / frame.file_name).rename(made.folder / name)
        first = replace(frame.things[0], attributes={**frame.things[0].attributes, "mark": "<b>A</b>"})
        frames.append(replace(frame, file_name=name, things=(first, *frame.things[1:])))
    write_truth(made.folder, replace(made, frames=tuple(frames)))
    sightings, finds = worsened(made)
    answers = written(folder / "answers", replace(sightings, bundle=HOSTILE), finds)
    score(made.folder, answers[0], folder / "out", finds=answers[1], rulebook="harrow-fen-careful")
    return folder / "out" / "report.html"


def test_first_line_says_what_the_truth_is(hostile_report: Path) -> None:
    assert Page(hostile_report.read_text()).text[0] == "Measured on rendered frames; expect less on photographs."
    assert len(set(FIRST_LINE.values())) == 4 and "photographs" in FIRST_LINE["mixed"]


def test_nothing_from_the_files_becomes_markup(hostile_report: Path) -> None:
    page = Page(hostile_report.read_text())
    tags = [tag for tag, _ in page.tags]
    assert not {"script", "iframe", "object", "link", "b"} & set(tags)
    assert not [name for _, attributes in page.tags for name in attributes if name.startswith("on")]
    assert HOSTILE in " ".join(page.text) and "<b>A</b>" in " ".join(page.text)


def test_one_file_without_a_network(hostile_report: Path) -> None:
    text = hostile_report.read_text()
    page = Page(text)
    sources = [value for _, attributes in page.tags for name, value in attributes.items() if name in ("src", "href")]
    assert sources and all(value is not None and value.startswith("data:image/jpeg;base64,") for value in sources)
    links = set(re.findall(r"https?://[^\s\"'<>)]+", text))
    assert links <= {"http://www.w3.org/2000/svg"}  # a name, not an address to be fetched
    assert "default-src 'none'" in text and "url(" not in text and "@import" not in text


def test_every_picture_has_words(hostile_report: Path) -> None:
    page = Page(hostile_report.read_text())
    pictures = [attributes for tag, attributes in page.tags if tag in ("svg", "img")]
    assert len(pictures) > 10
    assert all(attributes.get("aria-label") or attributes.get("alt") for attributes in pictures)


def test_cautions_and_withheld_figures_stand_in_it(hostile_report: Path) -> None:
    words = " ".join(Page(hostile_report.read_text()).text)
    for caution in CAUTIONS:
        assert caution.heading in words and caution.text in words
    assert "AP_large: no large object that counts." in words


def test_gallery_cuts_show_the_panel(hostile_report: Path) -> None:
    page = Page(hostile_report.read_text())
    images = [attributes for tag, attributes in page.tags if tag == "img"]
    kinds = {str(attributes["alt"]).split(":")[0] for attributes in images}
    assert {"missed", "misread", "false alarm"} <= kinds <= {"person missed", "missed", "misread", "false alarm"}
    panels = [attributes for attributes in images if str(attributes["alt"]).startswith("missed")]
    cut = Image.open(io.BytesIO(base64.b64decode(str(panels[0]["src"]).split(",")[1])))
    assert cut.size == (180, 180)
    middle = np.asarray(cut.convert("RGB"), dtype=float)[70:110, 70:110].reshape(-1, 3)
    ground = np.asarray(cut.convert("RGB"), dtype=float)[5:25, 5:25].reshape(-1, 3)
    assert np.abs(np.median(middle, axis=0) - np.median(ground, axis=0)).max() > 60


def test_people_are_made_unrecognisable() -> None:
    rng = np.random.default_rng(0)
    image = Image.fromarray(rng.integers(0, 256, (120, 160, 3), dtype=np.uint8).astype(np.uint8))
    before = np.asarray(image, dtype=float)
    after = np.asarray(
        unrecognisable(image.copy(), [(40.0, 30.0, 30.0, 50.0), (150.0, 110.0, 40.0, 40.0)]), dtype=float
    )
    assert after[30:80, 40:70].std() < 0.1 * before[30:80, 40:70].std()
    assert np.array_equal(after[:20], before[:20])


def test_frames_that_cannot_be_opened_cost_pictures_and_nothing_else(tmp_path: Path) -> None:
    made = made_frame_set(tmp_path / "set", runs=2)  # no images on disk
    answers = written(tmp_path / "answers", worsened(made)[0])
    score(made.folder, answers[0], tmp_path / "out")
    assert not [tag for tag, _ in Page((tmp_path / "out" / "report.html").read_text()).tags if tag == "img"]


CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed")
def test_a_real_browser_shows_it_without_complaint(hostile_report: Path, tmp_path: Path) -> None:
    assert CHROMIUM is not None
    command = [
        CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
        "--disable-background-networking", "--disable-component-update", "--disable-sync", "--hide-scrollbars",
        f"--user-data-dir={tmp_path / 'profile'}", "--enable-logging=stderr", "--window-size=390,3000",
        f"--screenshot={tmp_path / 'phone.png'}", hostile_report.as_uri(),
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert "CONSOLE" not in done.stderr
    shot = np.asarray(Image.open(tmp_path / "phone.png").convert("L"))
    assert shot.std() > 10
