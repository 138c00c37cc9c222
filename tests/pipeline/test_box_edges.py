"""Sides of boxes placed anew: untouched before training, finer than a pixel after it, and nothing where nobody learnt it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import torch

from mission.model_file import ReaderSettings
from mission.vocabulary import ATTRIBUTES
from pipeline.box_edges import CROP_PX, EXTENT, LARGEST_PX, BoxEdges, with_edges
from pipeline.crops import cut_squares, jittered, square_around
from pipeline.crops_at_once import TIGHT_SAMPLES, sampled_squares
from pipeline.detector import Detections, generalised_overlap_loss
from pipeline.frame_reader import FrameReader
from pipeline.frames_to_read import FrameToRead
from pipeline.readers import Readers
from pipeline.starting_weights import fill_from_bundle
from synth.chips import ChipBatch
from tests.pipeline.test_bundle import MODEL, WORDS
from tests.pipeline.test_starting_weights import written

BOXES = [[20.0, 30, 60, 61], [0, 0, 25.5, 40], [90.2, 85.1, 119, 119.5], [10, 50, 110, 80]]


def rectangles(count: int, seed: int) -> tuple[torch.Tensor, torch.Tensor]:
    """Pictures uint8 [N, 3, 96, 96] of one even rectangle each on uneven ground, and its box [N, 4]: sides between pixels."""
    generator = torch.Generator().manual_seed(seed)
    corner = 18 + 20 * torch.rand(count, 2, generator=generator)
    box = torch.cat([corner, corner + 16 + 26 * torch.rand(count, 2, generator=generator)], 1)
    edge = torch.arange(96.0)
    # What share of each pixel's width and height the rectangle covers.
    along = [(torch.minimum(edge + 1, box[:, [k + 2]]) - torch.maximum(edge, box[:, [k]])).clamp(0, 1) for k in (0, 1)]
    share = (along[1][:, :, None] * along[0][:, None, :])[:, None]
    ground = 90 + 12 * torch.randn(count, 3, 96, 96, generator=generator)
    paint = torch.where(torch.rand(count, 1, 1, 1, generator=generator) < 0.5, 190.0, 20.0)
    return (ground * (1 - share) + paint * share).clamp(0, 255).to(torch.uint8), box


def overlap(box: torch.Tensor, other: torch.Tensor) -> float:
    """Mean GIoU, which is the IoU where boxes nearly agree."""
    return float(1 - generalised_overlap_loss(box, other).mean())


def test_untrained_it_gives_boxes_back_as_they_were():
    box = torch.tensor(BOXES)
    edges = BoxEdges(8).eval()
    crop = torch.rand(len(box), 3, CROP_PX, CROP_PX, generator=torch.Generator().manual_seed(0)) * 255
    assert torch.allclose(edges.placed(crop, box), box, atol=1e-3)


def test_crops_of_a_frame_are_those_of_training():
    frame = torch.randint(0, 256, (3, 120, 120), dtype=torch.uint8, generator=torch.Generator().manual_seed(0))
    square = square_around(torch.tensor(BOXES), EXTENT)
    one = cut_squares(frame[None].float(), torch.zeros(len(square)), square, CROP_PX)
    assert float((sampled_squares(frame, square, CROP_PX, TIGHT_SAMPLES) - one).abs().max()) < 0.05


def test_it_learns_to_place_sides_between_pixels():
    """From boxes with an IoU of 0.79 to one of 0.93 and more, on pictures that it never saw, in 100 small steps."""
    torch.manual_seed(0)
    generator, edges = torch.Generator().manual_seed(1), BoxEdges(8)
    images, box = rectangles(512, 2)
    optimiser = torch.optim.AdamW(edges.parameters(), 3e-3)
    for _ in range(100):
        some = torch.randint(0, len(box), (16,), generator=generator)
        loss = edges.loss(
            *edges.loose_crops(images[some], torch.arange(16), box[some], generator), box[some], torch.ones(16)
        )
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
    unseen, truth = rectangles(64, 3)
    loose = jittered(truth, torch.Generator().manual_seed(4), 0.06, 0.10)
    with torch.inference_mode():
        crop = cut_squares(unseen.float(), torch.arange(64), square_around(loose, EXTENT), CROP_PX)
        placed = edges.eval().placed(crop, loose)
    assert overlap(loose, truth) < 0.82
    assert overlap(placed, truth) > 0.93
    assert float((placed - truth).mean(0).abs().max()) < 0.5  # nor to one side


def test_what_does_not_count_teaches_nothing():
    images, box = rectangles(4, 0)
    edges = BoxEdges(8)
    off = torch.zeros(4, dtype=torch.bool)
    loss = edges.loss(*edges.loose_crops(images, torch.arange(4), box, torch.Generator().manual_seed(0)), box, off)
    assert float(loss.detach()) == 0.0


def test_panels_and_people_mostly_seen_teach_and_nothing_else():
    box = torch.tensor([[0.0, 0, 40, 40]] * 4 + [[0.0, 0, 9, 9]])
    chips = ChipBatch(
        torch.zeros(1, 3, 64, 64, dtype=torch.uint8), torch.zeros(5, dtype=torch.int64), torch.tensor([0, 1, 2, 0, 0]),
        box, torch.tensor([1.0, 1.0, 1.0, 0.3, 1.0]), torch.zeros(5, 4, dtype=torch.int64), torch.zeros(5),
    )  # fmt: skip
    assert with_edges(chips).tolist() == [True, True, False, False, False]


@pytest.fixture
def with_head() -> ReaderSettings:
    return MODEL.readers.model_copy(update={"edges_width": 8})


def test_readers_without_the_head_leave_boxes_as_they_are(with_head):
    frame, box = torch.zeros(3, 120, 120, dtype=torch.uint8), torch.tensor(BOXES)
    assert torch.equal(Readers(MODEL.readers, WORDS).eval().placed_anew(frame, box), box)


def test_boxes_of_other_sizes_are_left_alone(with_head):
    """A head that moves every side moves no box beyond LARGEST_PX and none without an extent."""
    readers = Readers(with_head, WORDS).eval()
    torch.nn.init.normal_(readers.edges[0].sides[0][2].weight, std=20.0, generator=torch.Generator().manual_seed(0))
    box = torch.tensor([[0.0, 0, LARGEST_PX + 1, 50], [30, 30, 30.5, 30.5], [20, 20, 60, 60]])
    frame = torch.randint(0, 256, (3, 200, 200), dtype=torch.uint8, generator=torch.Generator().manual_seed(0))
    placed = readers.placed_anew(frame, box)
    assert torch.equal(placed[:2], box[:2])
    assert not torch.allclose(placed[2], box[2], atol=0.1)
    assert len(readers.placed_anew(frame, torch.zeros(0, 4))) == 0


def test_a_bundle_without_the_head_can_be_gone_on_from_with_one(with_head, tmp_path):
    """Everything else is the bundle's; the head stays as it was made."""
    first = written(tmp_path / "first", MODEL, WORDS, half=False)
    readers = Readers(with_head, WORDS)
    before = {name: value.clone() for name, value in readers.state_dict().items()}
    fill_from_bundle(readers, first, "readers")
    old = Readers(MODEL.readers, WORDS)
    fill_from_bundle(old, first, "readers")
    for name, value in readers.state_dict().items():
        expected = before[name] if name.startswith("edges.") else old.state_dict()[name]
        assert np.array_equal(value, expected), name


class MovingBundle:
    """Reports one panel and one person, and places boxes wherever it is told."""

    name, categories, device, second_look_weight, score_maps = "moving", ("panel", "person"), "cpu", 0.0, {}
    vocabulary, places_boxes = WORDS, True
    given = np.array([[10.0, 10, 50, 50], [60, 60, 100, 100]])

    def __init__(self, anew: list[list[float]], score: list[float]) -> None:
        self.anew, self.score = torch.tensor(anew), torch.tensor(score)

    def detect(self, tiles: torch.Tensor) -> list[Detections]:
        return [Detections(torch.from_numpy(self.given), self.score, torch.tensor([0, 1])) for _ in tiles]

    def read_attributes(self, frame: torch.Tensor, box_px: torch.Tensor) -> dict[str, torch.Tensor]:
        assert torch.equal(box_px, torch.from_numpy(self.given[:1]).float())  # read as it was reported
        values = {name: len(WORDS.values(name)) for name in ATTRIBUTES}
        return {name: torch.full((1, count), 1 / count) for name, count in values.items()}

    def placed_anew(self, frame: torch.Tensor, box_px: torch.Tensor) -> torch.Tensor:
        return self.anew[: len(box_px)]


@pytest.mark.parametrize(
    ("anew", "score", "expected"),
    [
        ([[11.0, 12, 52, 49], [61, 59, 99, 101]], [0.9, 0.8], [[11.0, 12, 41, 37], [61, 59, 38, 42]]),
        # Beyond the frame's edge, and without an extent: clipped, and kept as it was.
        ([[-3.0, 12, 52, 49], [70, 59, 70.5, 101]], [0.9, 0.8], [[0.0, 12, 52, 37], [60, 60, 40, 40]]),
        # Nobody acts on a person of 0.02.
        ([[11.0, 12, 52, 49], [61, 59, 99, 101]], [0.9, 0.02], [[11.0, 12, 41, 37], [60, 60, 40, 40]]),
    ],
)
def test_sightings_have_the_sides_placed_anew(anew, score, expected):
    bundle = MovingBundle(anew, score)
    reader = FrameReader(bundle, None, {"panel": 1, "person": 2}, {"panel": 0.5, "person": 0.5})  # type: ignore[arg-type]
    frame = FrameToRead(1, Path("one.png"), "one.png", 120, 120, None, None)
    seen = reader.sightings(frame, np.zeros((120, 120, 3), np.uint8))
    assert [list(s.bbox_px) for s in seen] == expected
