import copy
import re
from dataclasses import replace
from multiprocessing.reduction import ForkingPickler
from pathlib import Path

import numpy as np
import pytest
import torch
from PIL import Image

from mission.errors import InputError
from mission.photographs import GroundScale
from mission.recipe_light import BLENDINGS
from synth import photo_ground, photo_store
from synth.capture import CaptureSpec
from synth.photo_blend import REACH_PX, blend_into_photograph
from synth.photo_ground import GroundBank, PhotoGroundSpec, PhotoLayer, Piece
from synth.photo_kinds import ground_cells, sort_cells
from synth.photo_look import PhotographLook, estimate_look, local_light
from synth.tone import linear_from_srgb, srgb_from_linear
from synth.torus import noise


def _pixels(height: int = 420, width: int = 520, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    field = noise(rng, 640, 1.2, 200, 2)[:height, :width]
    base = np.array([110, 120, 80])
    return np.clip(base + 22 * field[..., None], 1, 254).astype(np.uint8)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for i in range(2):
        Image.fromarray(_pixels(seed=i)).save(tmp_path / f"ground_{i}.png")
    return tmp_path


def _bank(folder: Path, **options: float) -> GroundBank:
    return GroundBank.from_folder(folder, 0.02, mission_gsd_m=0.02, **options)  # type: ignore[arg-type]


def test_a_folder_becomes_a_bank_at_the_missions_scale(folder: Path) -> None:
    bank = _bank(folder)
    assert [p.name for p in bank.photographs] == ["ground_0.png", "ground_1.png"]
    assert bank.hectares == pytest.approx(2 * 420 * 520 * 0.02**2 / 1e4)
    finer = GroundBank.from_folder(folder, 0.01, mission_gsd_m=0.015)
    assert finer.photographs[0].pixels.shape == (280, 347, 3)


def test_scale_from_ground_yaml(folder: Path) -> None:
    (folder / "ground.yaml").write_text("format: ground/1\ngsd: 2 cm\n")
    assert GroundBank.from_folder(folder, mission_gsd_m=0.02).photographs[0].scale.gsd_m == pytest.approx(0.02)


def test_unknown_scale_is_refused(folder: Path) -> None:
    with pytest.raises(InputError, match=r"The scale of the photograph .*ground_0.png must be given"):
        GroundBank.from_folder(folder, mission_gsd_m=0.02)


def test_too_coarse_is_refused(folder: Path) -> None:
    with pytest.raises(InputError, match=r"must show at least one pixel each 1.5 cm .* Got one each 2 cm \(given\)"):
        GroundBank.from_folder(folder, 0.02, mission_gsd_m=0.01)


def test_too_small_is_refused(tmp_path: Path) -> None:
    Image.fromarray(_pixels(200, 300)).save(tmp_path / "small.png")
    with pytest.raises(InputError, match="must be at least 256 px wide and high"):
        _bank(tmp_path)


def test_a_broken_photograph_is_refused(folder: Path) -> None:
    whole = (folder / "ground_1.png").read_bytes()
    (folder / "ground_1.png").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(InputError, match=r"ground_1\.png"):
        _bank(folder)


def test_memory_is_bounded(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photo_ground, "MOST_BYTES", 700_000)
    monkeypatch.setattr(photo_store, "LEAST_SIDE_PX", 64)
    bank = _bank(folder)
    assert sum(p.pixels.nbytes for p in bank.photographs) < 800_000


def test_same_generator_same_ground(folder: Path) -> None:
    bank = _bank(folder)
    one, two = (bank.sample(np.random.default_rng(4), 100, 120) for _ in range(2))
    assert one == two
    assert torch.equal(bank.paint([one]).linear, bank.paint([two]).linear)


@pytest.mark.parametrize("quarter", range(4))
@pytest.mark.parametrize("mirror", [1, -1])
def test_quarter_turns_keep_every_pixel(folder: Path, quarter: int, mirror: int) -> None:
    bank = _bank(folder)
    c, s = round(np.cos(quarter * np.pi / 2)), round(np.sin(quarter * np.pi / 2))
    piece = Piece(0, (250.0, 200.0), (c * mirror, -s, s * mirror, c))
    spec = PhotoGroundSpec((piece,), (1.0, 1.0, 1.0), 0, (60, 80))
    linear = bank.paint([spec]).linear[0]
    for y, x in ((0, 0), (10, 50), (59, 79)):
        u, v = x + 0.5 - 40, y + 0.5 - 30
        px, py = c * mirror * u - s * v + 250, s * mirror * u + c * v + 200
        expected = linear_from_srgb(bank.photographs[0].pixels[int(py), int(px)] / 255)
        np.testing.assert_allclose(linear[:, y, x].numpy(), expected, atol=1e-6)


def test_windows_match_the_whole_and_frames_may_be_larger_than_photographs(folder: Path) -> None:
    bank, rng = _bank(folder), np.random.default_rng(2)
    for _ in range(4):
        spec = bank.sample(rng, 500, 640)
        assert len(spec.pieces) == 2
        whole = bank.paint([spec])
        part = bank.paint([spec], window=(301, 77, 90, 400))
        torch.testing.assert_close(part.linear, whole.linear[..., 301:391, 77:477], atol=0.012, rtol=0)
        torch.testing.assert_close(part.shade, whole.shade[..., 301:391, 77:477], atol=1e-4, rtol=0)
        assert float(whole.linear.std()) > 0.005


def test_all_at_once_equals_one_by_one(folder: Path) -> None:
    """The path for GPUs against the one for CPUs: at most the rounding of one code value apart."""
    bank, rng = _bank(folder), np.random.default_rng(3)
    specs = [bank.sample(rng, 64, 80) for _ in range(8)]
    pieces = [spec.pieces[0] for spec in specs]
    window, cpu = (0, 0, 64, 80), torch.device("cpu")
    one_by_one, together = (cut(pieces, (64, 80), window, cpu) for cut in (bank._cut, bank._cut_together))
    codes = [srgb_from_linear(cut.numpy()) * 255 for cut in (one_by_one, together)]
    assert np.abs(codes[0] - codes[1]).max() <= 1.01
    assert np.abs(codes[0] - codes[1]).mean() < 0.05


def test_shade_of_trees_is_felt() -> None:
    pixels = _pixels(512, 512)
    pixels[:200] //= 10
    look = estimate_look(pixels)
    photograph = photo_store.BankedPhotograph(
        "half", pixels, look, local_light(pixels, look), GroundScale(0.02, "given")
    )
    bank = GroundBank([photograph], 0.02, (1.0, 1.0))
    spec = PhotoGroundSpec((Piece(0, (256.0, 256.0), (1.0, 0.0, 0.0, 1.0)),), (1.0, 1.0, 1.0), 0, (400, 400))
    shade = bank.paint([spec]).shade[0, 0]
    assert float(shade[:100].mean()) < 0.4
    assert float(shade[200:].mean()) > 0.9


@pytest.mark.parametrize("sigma", [0.5, 0.8, 1.2, 1.6])
def test_blur_is_estimated(sigma: float) -> None:
    """On random fields with the power spectrum of nature (f^-2.4) and a known Gaussian blur."""
    rng = np.random.default_rng(1)
    n = 512
    f = np.hypot(np.fft.fftfreq(n)[:, None], np.fft.rfftfreq(n))
    f[0, 0] = 1
    filtered = np.fft.rfft2(rng.standard_normal((n, n))) * f**-1.2 * np.exp(-2 * (np.pi * sigma * f) ** 2)
    filtered[0, 0] = 0
    field = np.fft.irfft2(filtered, s=(n, n))
    pixels = np.clip(120 + 25 * field / field.std() + rng.normal(0, 0.7, (n, n)), 0, 255).astype(np.uint8)
    look = estimate_look(np.repeat(pixels[..., None], 3, 2))
    assert look.blur_sigma_px == pytest.approx(sigma, abs=0.25)


@pytest.mark.parametrize("noise_levels", [1.0, 3.0, 6.0])
def test_noise_is_estimated(noise_levels: float) -> None:
    rng = np.random.default_rng(1)
    smooth = np.linspace(90, 150, 512)[None, :, None] * np.ones((512, 1, 3))
    pixels = np.clip(smooth + rng.normal(0, noise_levels, (512, 512, 1)), 0, 255).astype(np.uint8)
    assert estimate_look(pixels).noise * 255 == pytest.approx(noise_levels, rel=0.25)


def test_a_white_thing_in_the_picture_is_the_gauge_of_white() -> None:
    pixels = (_pixels() * 0.5).astype(np.uint8)
    assert max(estimate_look(pixels).white) < 0.8
    pixels[100:160, 100:160] = 235
    assert min(estimate_look(pixels).white) > 0.6


LOOK = PhotographLook((0.6, 0.6, 0.6), 0.7, 0.01, 0.1)


def _layer(level: float = 0.1, count: int = 1) -> PhotoLayer:
    return PhotoLayer(torch.full((count, 3, 64, 64), level), torch.ones(count, 1, 64, 64), (LOOK,) * count)


def test_blending_leaves_the_photograph_alone_where_nothing_is_drawn() -> None:
    objects, cover = torch.zeros(1, 3, 64, 64), torch.zeros(1, 1, 64, 64)
    pixels = _pixels(64, 64)
    linear = torch.from_numpy(linear_from_srgb(pixels / 255)).float().permute(2, 0, 1)[None]
    layer = replace(_layer(), linear=linear)
    picture = blend_into_photograph(layer, objects, cover, [CaptureSpec(seed=1)], jpeg=False)
    assert np.abs(picture[0].permute(1, 2, 0).numpy().astype(int) - pixels).max() <= 1


def test_drawn_things_take_on_exposure_softness_and_noise() -> None:
    objects, cover = torch.zeros(1, 3, 64, 64), torch.zeros(1, 1, 64, 64)
    objects[..., 16:48, 16:48], cover[..., 16:48, 16:48] = 1.0, 1.0
    picture = blend_into_photograph(_layer(), objects, cover, [CaptureSpec(seed=1)], jpeg=False)[0].float()
    inside = picture[:, 20:44, 20:44]
    assert float(inside.mean()) == pytest.approx(255 * float(srgb_from_linear(np.array(0.6))), abs=1)
    assert float(inside[1].std()) == pytest.approx(255 * 0.01, rel=0.2)
    edge = picture[1, 32, 13:20]
    assert float(picture[1, 32, 8]) < float(edge[3]) < float(inside.mean())  # no hard step
    assert (edge[1:] >= edge[:-1] - 12).all()


def _board(blending: str) -> np.ndarray:
    """Luma [64, 64] of a white square in a photograph without noise."""
    objects, cover = torch.zeros(1, 3, 64, 64), torch.zeros(1, 1, 64, 64)
    objects[..., 16:48, 16:48], cover[..., 16:48, 16:48] = 1.0, 1.0
    layer = replace(_layer(), looks=(replace(LOOK, noise=0.0, blending=blending),))
    capture = CaptureSpec(seed=1, sharpening=0.6)
    return blend_into_photograph(layer, objects, cover, [capture], jpeg=False)[0, 1].float().numpy()


def test_blendings_differ_at_the_rim_and_nowhere_else() -> None:
    boards = {name: _board(name) for name in BLENDINGS}
    for name, board in boards.items():
        assert abs(board[22:42, 22:42] - boards["matched"][22:42, 22:42]).max() <= 1, name
        assert abs(board[:8] - boards["matched"][:8]).max() <= 1, name
    inside, outside = boards["none"][32, 16], boards["none"][32, 15]
    assert inside - outside > 100  # a hard step
    matched, feathered, sharpened = (boards[name][32] for name in ("matched", "feathered", "sharpened"))
    assert outside + 5 < matched[15] < matched[16] < inside - 3
    assert feathered[16] < matched[16] - 5
    assert sharpened[13:16].min() < outside - 3 and sharpened[16:20].max() > inside + 3


@pytest.mark.parametrize("blending", BLENDINGS)
def test_a_strip_with_its_margin_is_the_whole_picture(blending: str) -> None:
    """Frames are drawn in strips: what lies REACH_PX beyond a strip is not felt in it."""
    rng = torch.Generator().manual_seed(3)
    cover = (torch.rand((1, 1, 96, 64), generator=rng) > 0.6).float()
    objects = torch.rand((1, 3, 96, 64), generator=rng) * cover
    look = replace(LOOK, noise=0.0, blur_sigma_px=4.5, blending=blending)
    layer = PhotoLayer(torch.full((1, 3, 96, 64), 0.1), torch.ones(1, 1, 96, 64), (look,))
    capture = CaptureSpec(seed=1, sharpening=1.2)
    whole = blend_into_photograph(layer, objects, cover, [capture], jpeg=False)[0]
    first, last = 40 - REACH_PX, 56 + REACH_PX
    strip = PhotoLayer(layer.linear[:, :, first:last], layer.shade[:, :, first:last], layer.looks)
    part = blend_into_photograph(strip, objects[:, :, first:last], cover[:, :, first:last], [capture], jpeg=False)[0]
    assert (part[:, REACH_PX:-REACH_PX].int() - whole[:, 40:56].int()).abs().max() <= 1


def test_shadows_of_drawn_things_darken_the_ground() -> None:
    objects, cover = torch.zeros(1, 3, 64, 64), torch.zeros(1, 1, 64, 64)
    kept = torch.ones(1, 1, 64, 64)
    kept[..., :32] = 0.3
    picture = blend_into_photograph(_layer(), objects, cover, [CaptureSpec(seed=1)], kept, jpeg=False)[0].float()
    assert float(picture[:, :, :24].mean()) == pytest.approx(255 * float(srgb_from_linear(np.array(0.03))), abs=1)
    assert float(picture[:, :, 40:].mean()) == pytest.approx(255 * float(srgb_from_linear(np.array(0.1))), abs=1)


# --- several flights -------------------------------------------------------------------------------------------------


def _write_flights(folder: Path, **counts: int) -> Path:
    for name, count in counts.items():
        (folder / name).mkdir()
        for i in range(count):
            Image.fromarray(_pixels(300, 300, seed=i + 20 * count)).save(folder / name / f"{i}.png")
    return folder


@pytest.fixture(scope="module")
def flights(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two flights, one of them four times as large; a folder of something else beside them."""
    folder = _write_flights(tmp_path_factory.mktemp("flights"), heath=4, marsh=1)
    (folder / "notes").mkdir()
    (folder / "notes" / "read.txt").write_text("x")
    return folder


def test_flights_are_drawn_by_the_root_of_their_area(flights: Path) -> None:
    bank = _bank(flights)
    assert bank.flights == ("heath", "marsh")
    rng = np.random.default_rng(0)
    specs = [bank.sample(rng, 64, 64) for _ in range(2000)]
    share = np.mean([bank.backgrounds(spec) == "marsh" for spec in specs])
    assert share == pytest.approx(1 / 3, abs=0.042)  # sqrt(1) of sqrt(4) + sqrt(1); four standard deviations
    drawn = np.bincount([spec.pieces[0].photograph for spec in specs])
    assert drawn[:4].min() > 0.8 * drawn[:4].mean()


def test_what_continues_a_photograph_is_of_the_same_flight(flights: Path) -> None:
    bank, rng = _bank(flights), np.random.default_rng(1)
    for _ in range(20):
        pieces = bank.sample(rng, 400, 400).pieces
        assert len({bank.photographs[piece.photograph].flight for piece in pieces}) == 1


def test_only_some_flights(flights: Path) -> None:
    bank = _bank(flights)
    marsh = bank.only(["marsh"])
    assert marsh.flights == ("marsh",) and len(marsh.photographs) == 1
    assert marsh.backgrounds(marsh.sample(np.random.default_rng(0), 64, 64)) == "0.png"
    assert len(GroundBank.from_folder(flights, 0.02, mission_gsd_m=0.02, flights=["heath"]).photographs) == 4
    with pytest.raises(ValueError, match="have flights of heath, marsh"):
        bank.only(["fen"])


def test_each_flight_has_its_own_scale(tmp_path: Path) -> None:
    flights = _write_flights(tmp_path, heath=1, marsh=1)
    (flights / "marsh" / "ground.yaml").write_text("format: ground/1\ngsd: 2.2 cm\n")
    bank = GroundBank.from_folder(flights, {"heath": 0.018}, mission_gsd_m=0.02)
    assert {p.flight: p.scale.gsd_m for p in bank.photographs} == pytest.approx({"heath": 0.018, "marsh": 0.022})
    with pytest.raises(
        InputError, match=r"name flights that are there \(heath, marsh\). Got 'heat' \(did you mean 'heath'"
    ):
        GroundBank.from_folder(flights, {"heat": 0.018}, mission_gsd_m=0.02)
    with pytest.raises(InputError, match=r"The scale of the photograph .*heath/0.png must be given"):
        GroundBank.from_folder(flights, {"marsh": 0.018}, mission_gsd_m=0.02)


def test_what_the_bank_says_of_itself(flights: Path) -> None:
    bank = _bank(flights)
    assert re.match(
        r"Ground: 5 photographs of 2 flights, 0\.018 hectares at 2 cm/px .* about 1 kind of", bank.describe()
    )
    warning = bank.warning()
    assert (
        warning is not None and "thin because it covers less than 1 hectare and it shows fewer than 8 kinds" in warning
    )


def test_kinds_are_told_by_colour_and_texture_not_by_exposure() -> None:
    rng = np.random.default_rng(0)
    cells = []
    for colour in ((110, 120, 80), (60, 66, 44), (150, 110, 70)):  # one green twice, lit differently, and one brown
        for roughness in (2, 30):
            pixels = np.clip(np.array(colour) + rng.normal(0, roughness * colour[1] / 120, (256, 256, 1)), 1, 254)
            look = replace(
                estimate_look(pixels.astype(np.uint8)),
                white=tuple(3 * linear_from_srgb(np.array([max(colour) / 255] * 3))),
            )
            cells.append(ground_cells(pixels.astype(np.uint8), look, 0.05))
    kinds = [sort_cells(np.concatenate(cells))[i * 9] for i in range(6)]
    assert kinds[0] == kinds[2] and kinds[1] == kinds[3] and len(set(kinds)) == 4


# --- photographs kept ready ------------------------------------------------------------------------------------------


def _sent(bank: GroundBank) -> GroundBank:
    """As a worker process gets it: copying goes by the same state as pickling."""
    return copy.deepcopy(bank)


def test_a_second_bank_maps_what_the_first_one_made(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = _bank(folder)
    monkeypatch.setattr(photo_store, "load_photograph", None)  # nothing may be decoded again
    second = _bank(folder)
    for one, two in zip(first.photographs, second.photographs, strict=True):
        assert np.array_equal(one.pixels, two.pixels) and np.array_equal(one.light, two.light)
        assert one.look == two.look and two.kept is not None
    spec = first.sample(np.random.default_rng(0), 80, 80)
    assert torch.equal(first.paint([spec]).linear, second.paint([spec]).linear)
    assert len(ForkingPickler.dumps(second)) < 100_000
    assert np.array_equal(_sent(second).photographs[1].pixels, first.photographs[1].pixels)


def test_a_changed_photograph_or_a_damaged_file_is_made_anew(folder: Path) -> None:
    before = _bank(folder).photographs[0]
    Image.fromarray(_pixels(seed=7)).save(folder / "ground_0.png")
    after = _bank(folder).photographs[0]
    assert not np.array_equal(before.pixels, after.pixels)
    assert after.kept is not None
    after.kept.write_bytes(b"cut")
    assert np.array_equal(_bank(folder).photographs[0].pixels, _pixels(seed=7))


def test_a_store_that_cannot_be_written_costs_only_time(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (folder / "file").write_text("no folder")
    monkeypatch.setenv("PANELSCOUT_GROUND_STORE", str(folder / "file"))
    bank = _bank(folder)
    assert bank.photographs[0].kept is None
    assert np.array_equal(_sent(bank).photographs[0].pixels, _pixels(seed=0))


def test_the_store_keeps_to_its_limit(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PANELSCOUT_GROUND_STORE", str(tmp_path / "store"))
    monkeypatch.setattr(photo_store, "MOST_KEPT_BYTES", 420 * 520 * 3 + 1000)
    bank = _bank(folder)
    assert len(list((tmp_path / "store").rglob("*.npy"))) == 1
    assert bank.paint([bank.sample(np.random.default_rng(0), 64, 64)]).linear.shape == (1, 3, 64, 64)
