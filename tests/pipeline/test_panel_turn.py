"""Which way up: a panel's turn tells 6 from 9 where the mission lays marks upright, and only there."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import torch

from mission.mission_file import load_mission
from mission.model_file import ReaderSettings
from mission.vocabulary import SHAPES, Vocabulary, outline
from pipeline.detector import Detections
from pipeline.frame_reader import FrameReader
from pipeline.panel_turn import fold_of, ideal_crops, panel_turns, upright_tables, weighed_by_panel
from pipeline.readers import Readers, Readings

TURNS = 24
WORDS = Vocabulary(shapes=("quadrant", "rectangle", "circle"), colours=("red", "white"), marks=("6", "9", "A"))
SETTINGS = ReaderSettings(widths=(8, 16, 16), template_width=16, colour_width=16)
# What the readers say of upright panels: the quadrant at turn 5, the rectangle at 2 and 14, the circle anywhere.
UPRIGHT = torch.zeros(3, TURNS)
UPRIGHT[0, 5] = 1.0
UPRIGHT[1, [2, 14]] = 0.5
UPRIGHT[2] = 1 / TURNS


def table(*cells: tuple[int, int, float], values: int = 3) -> torch.Tensor:
    """Log-probabilities [1, values, turns] from cells (value, turn, share); what is left is spread evenly."""
    shares = torch.full((values, TURNS), (1.0 - sum(share for *_, share in cells)) / (values * TURNS))
    for value, turn, share in cells:
        shares[value, turn % TURNS] += share
    return shares.log()[None]


def test_folds_of_the_plane_shapes():
    """Rotational symmetry as plane geometry has it (a circle has every fold: the largest that is looked for)."""
    known = {
        "triangle": 3, "square": 4, "rectangle": 2, "rhombus": 2, "trapezium": 1, "pentagon": 5, "hexagon": 6, "octagon": 8,
        "circle": 8, "semicircle": 1, "quadrant": 1, "ellipse": 2, "star": 5, "cross": 4,
    }  # fmt: skip
    assert {shape: fold_of(outline(shape)) for shape in SHAPES} == known


def test_a_panel_lies_as_far_on_as_its_table_is_shifted():
    """Said turn 11 of a quadrant that is said to be at 5 when upright: turned by 6. A rectangle may be the other way round."""
    turns = panel_turns(table((0, 11, 0.96)), UPRIGHT)
    assert turns.shape == (1, TURNS) and float(turns.sum()) == pytest.approx(1.0)
    assert int(turns.argmax()) == 6 and float(turns[0, 6]) > 0.95
    turns = panel_turns(table((1, 3, 0.98)), UPRIGHT)
    assert sorted(turns[0].topk(2).indices.tolist()) == [1, 13]
    assert turns[0, 1] == pytest.approx(float(turns[0, 13]))


@pytest.mark.parametrize(("shape", "told"), [(0, True), (1, False), (2, False)])
def test_six_and_nine_are_told_apart_by_a_panel_with_an_up(shape, told):
    """Either a 6 at turn 6 or a 9 at 18, says the mark; the quadrant lies at turn 6; rectangle and circle cannot tell."""
    mark = table((0, 6, 0.46), (1, 18, 0.50))
    turns = panel_turns(table((shape, (11, 8, 3)[shape], 0.98)), UPRIGHT)
    weighed = weighed_by_panel(mark, turns).exp()[0]
    assert float(weighed.sum()) == pytest.approx(1.0)
    assert float(mark.exp().sum(2)[0].argmax()) == 1  # without regard to the panel it is taken for a 9
    if told:
        assert float(weighed[0]) > 0.9
    else:
        assert float(weighed[0]) == pytest.approx(float(mark.exp().sum(2)[0, 0]), abs=0.03)


def ideal_readers() -> Readers:
    """Readers whose tables are ideal: a 6 or a 9 on a quadrant that lies at turn 6."""
    readers = Readers(SETTINGS, WORDS).eval()
    other = torch.log(torch.full((1, 2), 0.5))
    mark, shape = table((0, 6, 0.46), (1, 18, 0.50)), table((0, 11, 0.96))
    found = Readings(
        {"shape": shape.logsumexp(2), "panel_colour": other, "mark": mark.logsumexp(2), "mark_colour": other},
        mark, shape, torch.zeros(1),
    )  # fmt: skip
    readers.forward = lambda tight, wide: found  # type: ignore[method-assign]
    return readers


def test_readers_weigh_marks_by_panels_only_where_asked():
    crops = torch.zeros(1, 3, 48, 48), torch.zeros(1, 3, 12, 12)
    assert int(ideal_readers().look(*crops)[0]["mark"].argmax()) == 1
    assert int(ideal_readers().look(*crops, UPRIGHT)[0]["mark"].argmax()) == 0


@pytest.mark.parametrize(
    ("mark_turn", "read"), [("any", "9"), ("base-bar", "9"), ("upright-on-panel", "6"), (None, "9")]
)
def test_a_frame_is_read_as_its_mission_lays_marks(mark_turn, read):
    """Through the frame's reader: the same frame, the same readers, another word in the mission."""
    readers = ideal_readers()

    def read_attributes(frame, box_px, *, marks_upright=False):
        log_p, _ = readers.look(
            torch.zeros(1, 3, 48, 48), torch.zeros(1, 3, 12, 12), UPRIGHT if marks_upright else None
        )
        return {name: log_p[name].exp() for name in log_p}

    bundle = SimpleNamespace(
        categories=("panel", "person"), vocabulary=WORDS, device="cpu", second_look_weight=0.0,
        score_maps={},
        working_confidence={"panel": 0.5, "person": 0.5}, read_attributes=read_attributes,
    )  # fmt: skip
    mission = None
    if mark_turn is not None:
        shipped = load_mission("harrow-fen")
        words = {"shapes": WORDS.shapes, "colours": WORDS.colours, "marks": WORDS.marks, "mark_turn": mark_turn}
        mission = shipped.model_copy(update={"panels": shipped.panels.model_copy(update=words)})
    reader = FrameReader(bundle, mission, {"panel": 1, "person": 2}, bundle.working_confidence)  # type: ignore[arg-type]
    found = Detections(np.array([[4.0, 4, 60, 60]]), np.array([0.9]), np.array([0]))  # type: ignore[arg-type]
    _, tables = reader._read(torch.zeros(3, 64, 64, dtype=torch.uint8), found)  # type: ignore[arg-type]
    assert next(iter(tables[0]["mark"])) == read


def test_ideal_drawings_stand_upright_in_the_middle_of_their_crop():
    """A quadrant's corner lies at the lower left of its box, the arc at the upper right (x right, y up in its outline)."""
    crops = ideal_crops(WORDS, 48, 1.2)
    assert crops.shape == (3, 4, 3, 48, 48)
    panel = (crops[0, 0, 0] - crops[0, 0, 0, 0, 0]).abs() > 40
    rows, columns = torch.nonzero(panel, as_tuple=True)
    assert (int(rows.min()), int(rows.max()), int(columns.min()), int(columns.max())) == (4, 43, 4, 43)
    assert bool(panel[42, 5]) and not bool(panel[5, 42]) and bool(panel[12, 10])


def test_upright_tables_of_any_readers_are_tables():
    torch.manual_seed(0)
    tables = upright_tables(Readers(SETTINGS, WORDS).eval())
    assert tables.shape == (3, 24) and torch.allclose(tables.sum(1), torch.ones(3), atol=1e-5)
    rectangle = tables[1]
    assert torch.allclose(rectangle, rectangle.roll(12), atol=1e-5)
