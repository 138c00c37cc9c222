"""How marks lie to their panels, as the mission says: at any turn, upright, or with a base bar."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import Point, Polygon

from mission.mission_file import MarkTurn, Mission, load_mission
from mission.recipe import load_recipe
from mission.vocabulary import SHAPES
from synth.chips import ChipSource
from synth.outlines import outline_atlas
from synth.panels import BAR_GAP, BAR_THICKNESS, UPRIGHT_SIGMA_DEG, sample_panels
from synth.scene import Layout, Plates, take

COUNT = 300


def mission(mark_turn: MarkTurn, **panels: float) -> Mission:
    shipped = load_mission("harrow-fen")
    changes = {"mark_turn": mark_turn, "shapes": SHAPES, **panels}
    return shipped.model_copy(update={"panels": shipped.panels.model_copy(update=changes)})


def layout(mark_turn: MarkTurn) -> Layout:
    ground = np.zeros((COUNT, 3))
    return sample_panels(
        np.random.default_rng(3), np.arange(COUNT), ground, mission(mark_turn), load_recipe("field"), "all"
    )


def panels_of(content: Layout) -> Plates:
    return take(content.plates, content.plates.glyph >= 0)


def test_marks_lie_at_any_turn_unless_the_mission_says_more():
    panels = panels_of(layout("any"))
    assert np.abs(np.degrees(panels.mark_turn)).max() > 150


def test_upright_marks_lean_as_little_as_hands_paint():
    panels = panels_of(layout("upright-on-panel"))
    lean = np.degrees(panels.mark_turn)
    assert np.abs(lean).max() < 5 * UPRIGHT_SIGMA_DEG
    assert lean.std() == pytest.approx(UPRIGHT_SIGMA_DEG, rel=0.2)


def test_a_base_bar_lies_below_the_feet_of_every_mark_and_inside_the_panel():
    content = layout("base-bar")
    panels = panels_of(content)
    bars = Plates(**{name: values[COUNT : 2 * COUNT] for name, values in vars(content.plates).items()})
    assert np.array_equal(bars.owner, panels.owner) and np.array_equal(bars.albedo, panels.mark_albedo)
    assert (bars.order > panels.order).all() and (bars.order[:-1] < panels.order[1:]).all()
    # Back into the plane of each panel, whose axes are at right angles and equally long.
    size2 = (panels.along**2).sum(1)
    apart = bars.origin - panels.origin
    at = np.stack([(apart * panels.along).sum(1), (apart * panels.up).sum(1)], axis=1) / size2[:, None]
    step = (at - panels.mark_at) / panels.mark_height[:, None]
    below = (0.5 + BAR_GAP + BAR_THICKNESS / 2) * np.stack([-np.sin(panels.mark_turn), -np.cos(panels.mark_turn)], 1)
    assert np.allclose(step, below, atol=1e-9)
    outlines = outline_atlas(mission("base-bar").panels.vocabulary)
    inside = [Polygon(outlines.outline[s]).contains(Point(p)) for s, p in zip(panels.shape, at, strict=True)]
    assert np.mean(inside) > 0.98  # hands wander: a bar in a narrow tip may leave it


def test_drawn_marks_stand_on_their_bars():
    """In the chip itself: the bar, looked up below the mark by the truth's turn, has the mark's paint and not the panel's."""
    flown = mission("base-bar", size_smallest_m=1.2, size_largest_m=1.4)
    source = ChipSource(load_recipe("demo-training"), flown, seed=2, chip_px=144, focus="panel")
    scene = source.scene(6, 0)
    chips = source.render(scene)
    panels = panels_of(scene.layout)
    told = 0
    for k, turn in zip(chips.chip.tolist(), chips.mark_turn_deg.tolist(), strict=True):
        row = int(np.flatnonzero(panels.picture == k)[0])
        mark = panels.mark_at[row]
        world = panels.origin[row] + mark[0] * panels.along[row] + mark[1] * panels.up[row]
        x, y = scene.views.project(world[None, None], np.array([k]))[0, 0]
        height_px = (
            panels.mark_height[row]
            * np.linalg.norm(panels.along[row])
            * float(scene.views.px_per_m(panels.origin[row][None], np.array([k]))[0])
        )
        down = np.array([-np.sin(np.radians(turn)), np.cos(np.radians(turn))]) * height_px
        picture = chips.image[k].float().numpy()
        bar, gap = (
            picture[:, int(y + share * down[1]), int(x + share * down[0])]
            for share in (0.5 + BAR_GAP + BAR_THICKNESS / 2, 0.5 + BAR_GAP / 2)
        )
        paint, own = panels.mark_albedo[row], panels.albedo[row]
        told += float((bar - gap) @ (paint - own)) > 0
    assert told >= 5, told


def test_the_default_draws_what_it_drew():
    """A mission that says nothing is one that says 'any'."""
    assert load_mission("harrow-fen").panels.mark_turn == "any"
