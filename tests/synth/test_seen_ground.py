"""Ground painted on a frame's own pixels: its texture lies where its camera sees it, and blocks show no seams."""

from __future__ import annotations

import numpy as np
import pytest
import torch
import torch.nn.functional as F

from mission.recipe import load_recipe
from synth import ground
from synth.ground import GroundLayer, paint_ground, paint_seen, sample_ground
from synth.ground_fields import STEP_PX, Nodes
from synth.ground_spec import GroundSpec, Layer, Mask

H, W = 200, 260


def turned_nodes(turn_deg: float, scale: float) -> Nodes:
    """Nodes of a picture whose rows and columns run turned and scaled over the ground, its middle over (280, 280)."""
    nodes = Nodes((0, 0, H, W), torch.device("cpu"))
    c, s = scale * np.cos(np.radians(turn_deg)), scale * np.sin(np.radians(turn_deg))
    y, x = np.mgrid[: nodes.count[0], : nodes.count[1]] * float(STEP_PX) + 0.5
    x, y = x - W / 2, y - H / 2
    places = np.stack([280 + c * x - s * y, 280 + s * x + c * y])
    return Nodes(nodes.window, torch.device("cpu"), torch.from_numpy(places))


def seen(spec: GroundSpec, nodes: Nodes) -> GroundLayer:
    out = GroundLayer(*(torch.empty((1, planes, H, W)) for planes in (3, 1, 1)))
    paint_seen(spec, (1000, 1000), nodes, (20.0, 10.0), out)
    return out


def read(spec: GroundSpec, nodes: Nodes) -> torch.Tensor:
    """Reflectance [3, H, W] read by cubic interpolation from the ground painted level."""
    level = paint_ground([spec], 1000, 1000, window=(0, 0, 560, 560), shadow_px_per_m=[(20.0, 10.0)]).albedo
    assert nodes.places is not None
    at = nodes.enlarge(nodes.places.float()[None])[0].permute(1, 2, 0)[None]
    return F.grid_sample(level, at * (2 / 560) - 1, mode="bicubic", align_corners=False)[0]


def shift_px(one: np.ndarray, two: np.ndarray) -> np.ndarray:
    """How far (x, y) a picture is moved against another, from the phases of their longer waves."""
    spectra = [np.fft.fft2((p - p.mean()) * np.hanning(H)[:, None] * np.hanning(W)) for p in (one, two)]
    fy, fx = np.meshgrid(np.fft.fftfreq(H), np.fft.fftfreq(W), indexing="ij")
    cross = spectra[0] * spectra[1].conj() * ((np.hypot(fx, fy) < 0.15) & (np.hypot(fx, fy) > 0.02))
    waves, weight, phase = np.stack([fx.ravel(), fy.ravel()], 1), np.abs(cross).ravel(), np.angle(cross).ravel()
    return np.linalg.solve(waves.T @ (waves * weight[:, None]), waves.T @ (weight * phase)) / (2 * np.pi)


@pytest.mark.parametrize(("turn_deg", "scale", "most_px"), [(0.0, 1.0, 0.3), (3.0, 0.98, 0.05), (-170.0, 1.02, 0.05)])
@pytest.mark.parametrize("turn", [False, True])
def test_texture_lies_where_the_view_sees_it(turn_deg: float, scale: float, most_px: float, turn: bool) -> None:
    """Against the ground painted level and read by cubic interpolation: no pixel is read from more than a quarter of one away,
    which shows as a shift only where all of them lie alike; turned views have none."""
    layer = Layer("gravel", (0.1, 0.1, 0.1), (0.4, 0.4, 0.4), turn=turn, offset_px=(70, 430))
    spec = GroundSpec(0.0138, (layer,), seed=4)
    nodes = turned_nodes(turn_deg, scale)
    one, two = seen(spec, nodes).albedo[0, 0].numpy(), read(spec, nodes)[0].numpy()
    assert np.abs(shift_px(one, two)).max() < most_px
    assert np.corrcoef(one.ravel(), two.ravel())[0, 1] > 0.93


@pytest.mark.parametrize("seed", [1, 3, 7])
def test_blocks_and_what_they_hide_do_not_show(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Small blocks leave out most of the layers that lie below others; the picture stays the same."""
    spec = sample_ground(np.random.default_rng(seed), load_recipe("field").ground, 0.0138)
    nodes = turned_nodes(2.0, 1.01)
    whole = seen(spec, nodes)
    monkeypatch.setattr(ground, "_BLOCK_PX", 48)
    cut = seen(spec, nodes)
    for plane in ("albedo", "shade", "light"):
        assert (getattr(whole, plane) - getattr(cut, plane)).abs().max() < 3e-4, plane


def test_a_layer_that_covers_everything_hides_the_others_exactly() -> None:
    below = Layer("soil", (0.05, 0.05, 0.05), (0.1, 0.1, 0.1))
    above = Layer("sand", (0.5, 0.4, 0.3), (0.6, 0.5, 0.4), Mask("half", at_m=(0.0, -50.0), angle=0.0))
    both = paint_ground([GroundSpec(0.02, (below, above))], 120, 120)
    alone = paint_ground([GroundSpec(0.02, (Layer("sand", above.colour, above.other),))], 120, 120)
    assert torch.equal(both.albedo, alone.albedo) and torch.equal(both.shade, alone.shade)
