"""Each fault that a frame set can have is found, and a whole one has none; the contact sheet shows the truth."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from mission.errors import InputError
from mission.frame_set import Frame, FrameSet, Thing, read_frame_set, write_truth
from mission.mission_file import load_mission
from pipeline.command_line import run
from pipeline.contact_sheet import CLOSE_UP_PX, FRAME_WIDTH_PX, draw_contact_sheet, spread, write_contact_sheet
from pipeline.inspect_frames import inspect_frames, overlap

RED_CIRCLE = {"shape": "circle", "panel_colour": "red", "mark": "A", "mark_colour": "white"}


def panel(number: int, box: tuple[float, float, float, float], **changes: object) -> Thing:
    thing = Thing(number, "panel", box, box[2] * box[3], attributes=dict(RED_CIRCLE), object=f"p{number}", visible=1.0)
    return replace(thing, **changes)


def picture(folder: Path, name: str, seed: int, size: tuple[int, int] = (200, 150)) -> None:
    pixels = np.random.default_rng(seed).integers(60, 160, (size[1], size[0], 3), dtype=np.uint8)
    (folder / "frames").mkdir(exist_ok=True)
    Image.fromarray(pixels).save(folder / "frames" / name)


@pytest.fixture
def whole(tmp_path) -> FrameSet:
    """Two frames with a panel and a person, one frame without anything."""
    for seed, name in enumerate(("a.png", "b.png", "c.png")):
        picture(tmp_path, name, seed)
    person = Thing(3, "person", (120, 80, 20, 24), 400, visible=0.9)
    frames = (
        Frame(1, "frames/a.png", 200, 150, mission_run="one", things=(panel(1, (20, 30, 40, 40)), person)),
        Frame(2, "frames/b.png", 200, 150, mission_run="one", things=(panel(2, (50, 60, 30, 30)),)),
        Frame(5, "frames/c.png", 200, 150, mission_run="one"),
    )
    frame_set = FrameSet(tmp_path, "rendered", frames)
    write_truth(tmp_path, frame_set)
    return read_frame_set(tmp_path)


def with_things(frame_set: FrameSet, *things: Thing) -> FrameSet:
    first, *others = frame_set.frames
    return replace(frame_set, frames=(replace(first, things=things), *others))


def faults(frame_set: FrameSet, **options: object) -> list[str]:
    return [f"{finding.where}: {finding.what}" for finding in inspect_frames(frame_set, **options).faults]


def test_whole_set_has_no_fault(whole):
    report = inspect_frames(whole)
    assert report.faults == []
    assert not report.broken
    assert (report.frames, report.objects, report.empty_frames) == (3, 3, 1)
    assert report.counts["category"] == {"panel": 2, "person": 1}
    assert report.counts["mark"] == {"A": 2}
    assert report.pixels_across["panel"] == [40, 30]


def test_broken_and_missing_images(whole):
    (whole.folder / "frames/a.png").write_bytes(b"\x89PNG\r\n\x1a\nbroken")
    (whole.folder / "frames/b.png").unlink()
    (whole.folder / "frames/c.png").write_bytes(b"")
    found = faults(whole)
    assert len(found) == 3
    assert "no image decoder reads" in found[0]
    assert "no such file" in found[1]
    assert "empty file" in found[2]


def test_truncated_image(whole):
    path = whole.folder / "frames/a.png"
    path.write_bytes(path.read_bytes()[:-4000])
    assert "truncated" in faults(whole)[0]


def test_size_that_does_not_match(whole):
    picture(whole.folder, "a.png", 9, (150, 200))
    (found,) = faults(whole)
    assert "200 x 150 px and the image is 150 x 200" in found


def test_size_turned_by_exif(whole):
    exif = Image.Exif()
    exif[0x0112] = 6
    with Image.open(whole.folder / "frames/a.png") as image:
        image.load()
    image.save(whole.folder / "frames/a.png", exif=exif)
    (found,) = faults(whole)
    assert "turned by its Exif orientation" in found


@pytest.mark.parametrize(
    "box", [(-2, 10, 30, 30), (180, 10, 30, 30), (10, -1, 30, 30), (10, 140, 30, 30), (900, 9, 9, 9)]
)
def test_box_outside(whole, box):
    (found,) = faults(with_things(whole, panel(1, box)))
    assert "outside the frame" in found


def test_box_on_the_border_is_inside(whole):
    assert faults(with_things(whole, panel(1, (0, 0, 200, 150)))) == []


def test_empty_box(whole):
    assert "is empty" in faults(with_things(whole, panel(1, (5, 5, 0, 20))))[0]


def test_unknown_labels(whole):
    odd = panel(1, (5, 5, 30, 30), attributes={**RED_CIRCLE, "shape": "heptagon"})
    assert "the shape of annotation 1, 'heptagon', is not in the vocabulary" in faults(with_things(whole, odd))[0]
    cat = panel(1, (5, 5, 30, 30), category="cat")
    assert "'cat', is none of panel, person" in faults(with_things(whole, cat))[0]
    unknown = panel(1, (5, 5, 30, 30), attributes=dict.fromkeys(RED_CIRCLE))
    assert faults(with_things(whole, unknown)) == []  # null means unknown, which is no fault


def test_a_mission_narrows_the_labels(whole):
    octagon = with_things(whole, panel(1, (5, 5, 30, 30), attributes={**RED_CIRCLE, "shape": "octagon"}))
    assert faults(octagon) == []
    narrow = load_mission("harrow-fen").panels.vocabulary
    assert "octagon" in faults(octagon, vocabulary=narrow)[0]
    remarks = [finding.what for finding in inspect_frames(whole, narrow).remarks]
    assert "fewer than 5 panels of shape every value" in remarks


def test_doubles(whole):
    twice = with_things(whole, panel(1, (5, 5, 30, 30)), panel(9, (5, 5, 30, 30.5)))
    assert "annotations 1 and 9 box the same panel twice" in faults(twice)[0]
    (whole.folder / "frames/b.png").write_bytes((whole.folder / "frames/a.png").read_bytes())
    assert "frames/b.png: the same picture as frames/a.png" in faults(whole)
    first = whole.frames[0]
    same_file = replace(whole, frames=(*whole.frames[:1], replace(first, id=8, things=())))
    assert "the same file as image 1" in faults(same_file)[0]


def test_touching_boxes_are_no_doubles(whole):
    assert faults(with_things(whole, panel(1, (5, 5, 30, 30)), panel(9, (20, 5, 30, 30)))) == []
    assert overlap(panel(1, (0, 0, 10, 10)), panel(2, (5, 0, 10, 10))) == pytest.approx(1 / 3)
    assert overlap(panel(1, (0, 0, 0, 0)), panel(2, (0, 0, 0, 0))) == 0


def test_object_labelled_in_two_ways(whole):
    first, second, third = whole.frames
    other = replace(second.things[0], object="p1", attributes={**RED_CIRCLE, "mark": "B"})
    (found,) = faults(replace(whole, frames=(first, replace(second, things=(other,)), third)))
    assert "the mark of object p1 is B here and A in frames/a.png" in found
    elsewhere = replace(second, mission_run="two", things=(other,))
    assert faults(replace(whole, frames=(first, elsewhere, third))) == []  # another run, another p1


def test_remarks(whole):
    picture(whole.folder, "stray.png", 50)
    small = with_things(whole, panel(1, (5, 5, 9, 9)))
    remarks = " / ".join(finding.what for finding in inspect_frames(small).remarks)
    assert "no person in any frame" in remarks
    assert "1 of 2 objects are below 16 px" in remarks
    assert "3 of 3 frames have no pose" in remarks
    assert "for example frames/stray.png" in remarks


def test_progress_is_told(whole):
    done: list[int] = []
    inspect_frames(whole, on_progress=done.append)
    assert done == [1, 2, 3]


# --- contact sheet ---------------------------------------------------------------------------------------------------


def test_sheet_shows_frames_and_close_ups(whole, tmp_path):
    sheet, shown = draw_contact_sheet(whole)
    assert shown == 3
    assert sheet.width > 3 * FRAME_WIDTH_PX
    assert sheet.height > FRAME_WIDTH_PX * 150 / 200 + CLOSE_UP_PX
    pixels = np.asarray(sheet)
    assert (pixels == (213, 94, 0)).all(axis=2).sum() > 300  # boxes of panels
    assert (pixels == (86, 180, 233)).all(axis=2).sum() > 100  # and of the person
    for name in ("sheet.jpg", "sheet.png"):
        write_contact_sheet(tmp_path / name, whole)
        assert Image.open(tmp_path / name).size == sheet.size


def test_close_up_is_at_full_resolution(whole):
    """The pixels around the box are on the sheet as they are in the frame."""
    source = np.asarray(Image.open(whole.folder / "frames/a.png"))[40:60, 30:50]
    sheet = np.asarray(draw_contact_sheet(whole)[0])
    windows = np.lib.stride_tricks.sliding_window_view(sheet[..., 0], (20, 20))
    matches = np.argwhere((windows[:, :, 0, :] == source[0, :, 0]).all(axis=2))
    assert any((sheet[y : y + 20, x : x + 20] == source).all() for y, x in matches)


def test_people_in_photographs_are_made_unrecognisable(whole):
    # The first rows hold the title, which names the kind of truth.
    plain = np.asarray(draw_contact_sheet(whole)[0])[50:]
    photographed = np.asarray(draw_contact_sheet(replace(whole, truth="photographed"))[0])[50:]
    assert plain.shape == photographed.shape
    changed = (plain != photographed).any(axis=2)
    assert changed.any()
    pixels = photographed[changed].astype(int)
    assert pixels.std(axis=0).max() < plain[changed].astype(int).std(axis=0).max() / 2


def test_unreadable_frames_do_not_stop_the_sheet(whole, tmp_path):
    (whole.folder / "frames/a.png").write_bytes(b"broken")
    assert write_contact_sheet(tmp_path / "sheet.jpg", whole) == 2


def test_sheet_of_another_kind_is_refused(whole, tmp_path):
    with pytest.raises(InputError, match=r"must end in \.jpg or \.png"):
        write_contact_sheet(tmp_path / "sheet.txt", whole)
    assert not (tmp_path / "sheet.txt").exists()


def test_frames_are_spread_and_empty_ones_give_way():
    filled = tuple(Frame(i, f"{i}.png", 10, 10, things=(panel(i, (1, 1, 2, 2)),)) for i in range(20))
    empty = tuple(Frame(i, f"{i}.png", 10, 10) for i in range(100, 120))
    chosen = spread((*empty, *filled), 9)
    assert len(chosen) == 9
    assert all(frame.things for frame in chosen)
    assert (chosen[0].id, chosen[-1].id) == (0, 19)
    assert spread((), 9) == []
    assert len(spread(empty[:4], 9)) == 4


# --- command ---------------------------------------------------------------------------------------------------------


def test_command_on_a_whole_set(whole, capsys):
    assert run(["inspect", str(whole.folder)]) == 0
    text = capsys.readouterr().out
    assert "No fault found." in text
    assert (whole.folder / "contact-sheet.jpg").stat().st_size > 5000


def test_command_on_a_broken_set(whole, capsys, tmp_path):
    (whole.folder / "frames/b.png").write_bytes(b"x")
    sheet = tmp_path / "elsewhere" / "sheet.png"
    assert run(["inspect", str(whole.folder / "truth.json"), "--sheet", str(sheet), "--mission", "harrow-fen"]) == 1
    text = " ".join(capsys.readouterr().out.split())
    assert "Fault: frames/b.png" in text
    assert text.endswith("1 fault.")
    assert sheet.exists()


def test_command_on_broken_truth(whole, capsys):
    (whole.folder / "truth.json").write_text('{"format": "frame-set/1", "truth": NaN}', encoding="utf-8")
    assert run(["inspect", str(whole.folder)]) == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 1


def test_set_without_frames(tmp_path, capsys):
    write_truth(tmp_path, FrameSet(tmp_path, "rendered", ()))
    assert run(["inspect", str(tmp_path)]) == 0
    assert not (tmp_path / "contact-sheet.jpg").exists()
