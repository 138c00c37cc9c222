"""Statistics re-estimated on the photographs of the day."""

from __future__ import annotations

import json

import numpy as np
import pytest
import torch
from PIL import Image
from torch import nn

from mission.errors import InputError
from mission.model_file import FcosSettings, HeatMapSettings, ModelFile, ReaderSettings
from mission.sightings import read_sightings
from pipeline.adapting import windows_of, with_statistics_of
from pipeline.bundle import build_detector, load_bundle, write_bundle
from pipeline.detector import HeatMapDetector, as_network_input
from pipeline.frames_to_read import frames_to_read
from pipeline.read import read
from pipeline.readers import Readers

MODEL = ModelFile(
    detector=HeatMapSettings(stage_widths=(8, 8, 16, 16), stage_blocks=(0, 0, 1, 1), neck_width=16),
    readers=ReaderSettings(widths=(8, 16, 16), template_width=16, colour_width=16),
)


def first_norm(network: nn.Module) -> nn.BatchNorm2d:
    return next(m for m in network.modules() if isinstance(m, nn.BatchNorm2d))


def trained_once() -> HeatMapDetector:
    torch.manual_seed(0)
    network = HeatMapDetector(MODEL.detector)  # type: ignore[arg-type]
    with torch.no_grad():
        for _ in range(30):
            network(as_network_input(torch.randint(0, 256, (4, 3, 64, 64), dtype=torch.uint8)))
    return network.eval()


def test_the_mixture_of_statistics_by_hand():
    """Schneider et al. 2020, eq. 1: with 16 photographs of weight against a prior of 16, halfway between the two."""
    network = trained_once()
    before = network.state_dict()["stages.0.0.1.running_mean"].clone()
    windows = torch.randint(100, 140, (8, 3, 64, 64), dtype=torch.uint8)
    adapted = with_statistics_of(network, windows, 16, prior=16)
    layer = network.stages[0][0][0]  # type: ignore[index]
    with torch.no_grad():
        own = layer(as_network_input(windows))
    norm = first_norm(adapted)
    assert torch.allclose(norm.running_mean, (before + own.mean((0, 2, 3))) / 2, atol=1e-5)
    assert torch.equal(network.state_dict()["stages.0.0.1.running_mean"], before)  # the bundle's own stay as they were
    for name, tensor in adapted.named_parameters():
        assert torch.equal(tensor, dict(network.named_parameters())[name])
    assert not adapted.training and norm.momentum == 0.1


def test_more_photographs_count_for_more_and_none_for_nothing():
    network = trained_once()
    windows = torch.full((4, 3, 64, 64), 30, dtype=torch.uint8) + torch.randint(0, 9, (4, 3, 64, 64), dtype=torch.uint8)
    moved = [
        float(
            (first_norm(with_statistics_of(network, windows, n)).running_mean - first_norm(network).running_mean).norm()
        )  # type: ignore[operator]
        for n in (0, 5, 50)
    ]
    assert moved[0] == 0 < moved[1] < moved[2]


def first_map(network: nn.Module, images: torch.Tensor) -> torch.Tensor:
    """The first layer's normalised map, less its rim (where the zeros around a picture do not get darker with it)."""
    convolution, norm = list(network.stages[0][0])[:2]  # type: ignore[index,arg-type]
    with torch.no_grad():
        return norm(convolution(as_network_input(images)))[..., 2:-2, 2:-2]


def test_dark_photographs_look_like_bright_ones_again():
    """Half the light: without the prior, adapted statistics bring the first layer's normalised map back to where it was."""
    network = trained_once()
    bright = torch.randint(60, 250, (8, 3, 64, 64), dtype=torch.uint8)
    dark = (bright // 2).to(torch.uint8)
    wanted = first_map(with_statistics_of(network, bright, 50, prior=0), bright)
    adapted = first_map(with_statistics_of(network, dark, 50, prior=0), dark)
    unadapted = first_map(network, dark) - first_map(network, bright)
    assert float((adapted - wanted).abs().mean()) < 0.2 * float(unadapted.abs().mean())


@pytest.fixture(scope="module")
def photographs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("photographs")
    rng = np.random.default_rng(0)
    for n in range(6):
        Image.fromarray(rng.integers(0, 255, (120, 160, 3), dtype=np.uint8)).save(folder / f"{n}.png")
    return folder


def test_windows_are_the_same_every_time_and_refused_where_there_are_too_few(photographs):
    frames = frames_to_read(photographs, None).frames
    windows = windows_of(frames, 5)
    assert windows.shape == (20, 3, 120, 120) and torch.equal(windows, windows_of(frames, 5))
    with pytest.raises(InputError, match=r"The 'adapt' must lie in 5..50 photographs\. Got 4 instead"):
        windows_of(frames, 4)
    with pytest.raises(InputError, match=r"be no more than the 6 photographs to read\. Got 7"):
        windows_of(frames, 7)


def test_a_reading_says_that_it_was_adapted_and_leaves_the_bundle_alone(photographs, tmp_path):
    torch.manual_seed(0)
    words = _words()
    folder = write_bundle(
        tmp_path / "bundle", MODEL, words, trained_once(), Readers(MODEL.readers, words),
        working_confidence={"panel": 0.9, "person": 0.9}, temperatures={}, training={}, validation={},
    )  # fmt: skip
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    bundle = load_bundle(folder, "cpu")
    plain = read(bundle, photographs, tmp_path / "plain", previews=False)
    adapted = read(bundle, photographs, tmp_path / "adapted", previews=False, adapt=5)
    again = read(bundle, photographs, tmp_path / "again", previews=False)
    scores = [[s.score for s in r.sightings.sightings] for r in (plain, adapted, again)]
    assert scores[0] == scores[2] != scores[1]
    assert read_sightings(tmp_path / "adapted" / "sightings.json").adapted_photographs == 5
    assert json.loads((tmp_path / "plain" / "sightings.json").read_text())["adapted_photographs"] == 0
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before


def test_the_rival_is_not_adapted():
    with pytest.raises(InputError, match="must be of the kind heat-map"):
        with_statistics_of(build_detector(FcosSettings(pyramid_width=32)), torch.zeros(1, 3, 64, 64), 5)


def _words():
    from mission.mission_file import load_mission

    return load_mission("harrow-fen").panels.vocabulary
