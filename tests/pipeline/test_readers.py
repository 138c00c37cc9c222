"""The readers and their crops: geometry, equivariance, losses."""

from __future__ import annotations

import math

import pytest
import torch

from mission.model_file import ReaderSettings, load_model_file
from mission.vocabulary import ATTRIBUTES, Vocabulary
from pipeline.crops import (
    crops_of_frame,
    cut_crops,
    guess_palette,
    jittered,
    middle_of_panel,
    polar_grid,
    polar_pixels,
    square_around,
)
from pipeline.panel_turn import ideal_crops
from pipeline.readers import COLOUR_FACTS, Readers, Surroundings, known_mean, turn_loss
from pipeline.reservoir import select_chips
from pipeline.validation import reading_figures, share_told_apart, temperature
from tests.pipeline.drawn_chips import PAINT, DrawnChips

SETTINGS = ReaderSettings(widths=(8, 16, 16), template_width=16, colour_width=16)
# With everything that the small ones leave out: a residual block, a close view of the mark, a look at the surroundings.
FULL = SETTINGS.model_copy(update={"blocks": 1, "mark_rings": 12, "surroundings_width": 8})


def ramp(height: int, width: int) -> torch.Tensor:
    """An image whose red is x, green y (of the pixel's centre) and blue constant."""
    x = (torch.arange(width) + 0.5).expand(height, width)
    y = (torch.arange(height) + 0.5)[:, None].expand(height, width)
    return torch.stack([x, y, torch.full((height, width), 7.0)])[None]


def test_crop_pixels_are_where_they_should_be():
    """On a ramp, each tight pixel must show the coordinates of its own centre (aligned sampling, no half-pixel shift)."""
    box = torch.tensor([[40.0, 50.0, 88.0, 90.0]])
    tight, _ = cut_crops(ramp(160, 200), torch.zeros(1), box, SETTINGS)
    square = square_around(box, SETTINGS.tight_extent)[0]
    step = (square[2] - square[0]) / SETTINGS.tight_px
    centres = (torch.arange(SETTINGS.tight_px) + 0.5) * step
    assert torch.allclose(tight[0, 0, 5], square[0] + centres, atol=1e-3)
    assert torch.allclose(tight[0, 1, :, 5], square[1] + centres, atol=1e-3)


def test_crops_of_a_large_frame_are_those_of_the_whole_image():
    torch.manual_seed(0)
    frame = torch.randint(0, 256, (3, 300, 400), dtype=torch.uint8)
    boxes = torch.tensor([[100.0, 80, 140, 130], [0, 0, 30, 22], [380, 270, 400, 300], [5.5, 280.2, 44.9, 300]])
    whole = cut_crops(frame[None], torch.zeros(4), boxes, SETTINGS)
    pieces = crops_of_frame(frame, boxes, SETTINGS)
    for a, b in zip(whole, pieces, strict=True):
        assert torch.allclose(a, b, atol=0.01)


@pytest.mark.parametrize("box", [[0.0, 0.0, 1.0, 1.0], [-5.0, -5.0, 3.0, 4.0], [0.0, 0.0, 64.0, 48.0]])
def test_crops_at_the_rim_and_of_tiny_boxes_are_finite(box):
    frame = torch.randint(0, 256, (3, 48, 64), dtype=torch.uint8)
    tight, wide = crops_of_frame(frame, torch.tensor([box]), SETTINGS)
    assert torch.isfinite(tight).all() and torch.isfinite(wide).all()
    assert tight.min() >= 0 and tight.max() <= 255
    empty = crops_of_frame(frame, torch.zeros(0, 4), SETTINGS)
    assert empty[0].shape[0] == empty[1].shape[0] == 0


def test_jitter_keeps_boxes_about_where_they_are():
    box = torch.tensor([[10.0, 20.0, 50.0, 80.0]]).expand(4000, 4)
    moved = jittered(box, torch.Generator().manual_seed(0), shift=0.05, stretch=0.07)
    centre, side = (moved[:, :2] + moved[:, 2:]) / 2, moved[:, 2:] - moved[:, :2]
    assert torch.allclose(centre.mean(0), torch.tensor([30.0, 50.0]), atol=0.2)
    assert torch.allclose(centre.std(0), torch.tensor([2.0, 3.0]), rtol=0.06)
    assert torch.allclose(side.log().std(0), torch.tensor([0.07, 0.07]), rtol=0.06)


def test_a_quarter_turn_of_a_crop_is_a_shift_of_its_polar_map():
    torch.manual_seed(0)
    crop = torch.rand(1, 3, 40, 40) * 255
    grid = polar_grid(12, 48, 1.0)
    straight, turned = polar_pixels(crop, grid), polar_pixels(torch.rot90(crop, 1, (2, 3)), grid)
    assert torch.allclose(turned, straight.roll(-12, -1), atol=1e-2)


@pytest.mark.parametrize("settings", [SETTINGS, FULL])
def test_readings_follow_a_quarter_turn(settings):
    """Turning the panel turns the found turn and changes no other probability: the claim behind the ring network."""
    torch.manual_seed(0)
    readers = Readers(settings, _words()).eval()
    tight, wide = torch.rand(3, 3, 48, 48) * 255, torch.rand(3, 3, 12, 12) * 255
    with torch.no_grad():
        straight = readers(tight, wide)
        turned = readers(torch.rot90(tight, 1, (2, 3)), wide)
    turns = straight.turned_mark.shape[2]
    assert torch.allclose(turned.turned_mark, straight.turned_mark.roll(-turns // 4, 2), atol=1e-3)
    assert torch.allclose(turned.turned_shape, straight.turned_shape.roll(-turns // 4, 2), atol=1e-3)
    for attribute in ATTRIBUTES:
        assert torch.allclose(turned.attributes[attribute], straight.attributes[attribute], atol=1e-3)


def test_the_close_view_looks_at_the_middle_of_the_panel_not_of_its_box():
    """On ideal drawings the weighted middle lies near the outline's area centroid, by its closed form: in a triangle a
    sixth of its height below the middle of its box, a quadrant's (4 / (3 pi), 4 / (3 pi)) off its corner."""
    tight = ideal_crops(Vocabulary(shapes=("triangle", "quadrant", "square", "circle")), 48, 1.2)[:, 0]
    middle = 0.6 * middle_of_panel(tight, guess_palette(tight))  # half a crop is 0.6 of the panel
    height = math.sqrt(3) / 2
    off = 4 / (3 * math.pi) - 0.5
    known = torch.tensor([[0.0, height / 2 - height / 3], [off, -off], [0.0, 0.0], [0.0, 0.0]])
    assert torch.allclose(middle, known, atol=0.035), middle


@pytest.mark.parametrize("wide_px", [8, 12, 24])
@pytest.mark.parametrize("extent", [1.5, 3.0, 5.0])
def test_surroundings_leave_the_panel_out(wide_px, extent):
    """Another panel on the same ground changes only what is said of the panel beside it."""
    torch.manual_seed(0)
    around = Surroundings(8, extent).eval()
    wide = torch.rand(2, 3, wide_px, wide_px) * 40 + 80
    wide[1] = wide[0]
    facts = torch.zeros(2, COLOUR_FACTS)
    assert torch.isfinite(around(wide, facts)).all()
    middle = slice(wide_px // 2 - 1, wide_px // 2 + 1)
    wide[1, :, middle, middle] = 255.0
    of_ring = around(wide, facts)[:, 16 : 16 + 9]
    assert torch.allclose(of_ring[0], of_ring[1])


def test_readings_are_log_probabilities():
    readers = Readers(SETTINGS, _words()).eval()
    out = readers.read(torch.rand(300, 3, 48, 48) * 255, torch.rand(300, 3, 12, 12) * 255)
    for attribute in ATTRIBUTES:
        assert out[attribute].shape == (300, len(_words().values(attribute)))
        assert torch.allclose(out[attribute].exp().sum(1), torch.ones(300), atol=1e-4)


def test_flat_black_and_white_crops_are_read_without_a_fault():
    readers = Readers(SETTINGS, _words()).eval()
    for level in (0.0, 255.0):
        out = readers.read(torch.full((2, 3, 48, 48), level), torch.full((2, 3, 12, 12), level))
        assert all(torch.isfinite(table).all() for table in out.values())


@pytest.mark.parametrize("tight_px", [16, 24, 128])
def test_crops_of_any_size_allowed_have_a_palette(tight_px):
    palette = guess_palette(torch.rand(2, 3, tight_px, tight_px) * 255)
    assert all(torch.isfinite(value).all() for value in vars(palette).values())


def test_palette_finds_paint_and_mark_of_a_plain_panel():
    crop = torch.full((1, 3, 48, 48), 90.0)
    crop[:, :, 6:42, 6:42] = torch.tensor(PAINT["blue"]).float()[:, None, None]
    crop[:, :, 20:28, 14:34] = torch.tensor(PAINT["yellow"]).float()[:, None, None]
    palette = guess_palette(crop)
    assert (palette.paint - torch.tensor(PAINT["blue"]).float()).abs().max() < 12
    assert (palette.rim - 90.0).abs().max() < 12
    towards_mark = (torch.tensor(PAINT["yellow"]) - torch.tensor(PAINT["blue"])).float()
    assert float((palette.axis[0] * towards_mark).sum() / towards_mark.norm()) > 0.99


def test_unknown_attributes_teach_nothing():
    log_p = torch.log_softmax(torch.randn(3, 5), 1)
    assert float(known_mean(log_p, torch.tensor([-1, -1, -1]))) == 0.0
    one = float(known_mean(log_p, torch.tensor([-1, 2, -1])))
    assert one == pytest.approx(-float(log_p[1, 2]))


def test_turn_loss_by_hand():
    """A turn of 20 deg with 24 bins of 15 deg lies a third of the way from bin 1 to bin 2."""
    log_p = torch.log_softmax(torch.randn(2, 3 * 24), 1).view(2, 3, 24)
    loss = turn_loss(log_p, torch.tensor([2, -1]), torch.tensor([20.0, 5.0]))
    assert float(loss) == pytest.approx(-float(log_p[0, 2, 1]) * 2 / 3 - float(log_p[0, 2, 2]) / 3, rel=1e-4)
    assert float(turn_loss(log_p, torch.tensor([1, 1]), torch.tensor([math.nan, math.nan]))) == 0.0
    wrapped = turn_loss(log_p, torch.tensor([0, -1]), torch.tensor([-10.0, 0.0]))
    assert float(wrapped) == pytest.approx(-float(log_p[0, 0, 23]) * 2 / 3 - float(log_p[0, 0, 0]) / 3, rel=1e-4)


def test_readers_learn_drawn_panels():
    """The real training in small, on flat drawings: 80 steps bring every attribute well above guessing."""
    torch.manual_seed(0)
    source = DrawnChips(_words(), seed=4, chip_px=64, focus="panel")
    readers, generator = Readers(SETTINGS, _words()), torch.Generator().manual_seed(0)
    optimiser = torch.optim.AdamW(readers.parameters(), lr=6e-3)
    chips = source.batch(256)
    for step in range(80):
        part = select_chips(chips, torch.arange(step % 8, 256, 8))
        loss = torch.stack(list(readers.losses(part, generator).values())).sum()
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
    held_out = source.batch(96)
    tight, wide = cut_crops(held_out.image, held_out.chip, held_out.box_px, SETTINGS)
    figures = reading_figures(readers.eval().read(tight, wide), held_out.attributes)
    assert figures["panel_colour"] > 0.5 and figures["shape"] > 0.5, figures
    assert figures["mark"] > 2.0 / len(_words().marks)  # twice what guessing gives


def test_reading_figures_leave_out_what_is_unknown():
    log_p = {attribute: torch.log(torch.tensor([[0.9, 0.1], [0.2, 0.8]])) for attribute in ATTRIBUTES}
    truth = torch.tensor([[0, 0, 0, 0], [0, 1, -1, 1]])
    figures = reading_figures(log_p, truth)
    assert figures["shape"] == 0.5 and figures["panel_colour"] == 1.0
    assert figures["mark"] == 1.0 and figures["all four"] == 1.0
    nothing = reading_figures(log_p, torch.full((2, 4), -1))
    assert all(math.isnan(value) for value in nothing.values())


def test_temperature_undoes_a_scaling():
    """Logits that are three times too sure get a temperature of about three (Guo et al. 2017, sec. 4.2)."""
    torch.manual_seed(0)
    logits = torch.randn(4000, 6) * 1.5
    truth = torch.distributions.Categorical(logits=logits).sample()
    assert temperature((3.0 * logits).log_softmax(1), truth) == pytest.approx(3.0, rel=0.12)
    assert temperature(logits.log_softmax(1), torch.full((4000,), -1)) == 1.0


def _words():
    from mission.mission_file import load_mission

    return load_mission("harrow-fen").panels.vocabulary


@pytest.mark.parametrize(("trunk", "settings"), [("shared", SETTINGS), ("separate", SETTINGS), ("separate", FULL)])
def test_every_part_of_the_readers_gets_a_gradient(trunk, settings):
    """One trunk or five: attributes are learnt on panels alone, panel or not on everything."""
    torch.manual_seed(0)
    chips = DrawnChips(_words(), seed=4, chip_px=64, focus="panel").batch(12)
    chips.category[8:] = 2
    chips.attributes[8:] = -1
    readers = Readers(settings.model_copy(update={"trunk": trunk}), _words())
    assert len(readers.trunks) == (5 if trunk == "separate" else 1)
    losses = readers.losses(chips, torch.Generator().manual_seed(0))
    torch.stack(list(losses.values())).sum().backward()
    for name, parameter in readers.named_parameters():
        assert parameter.grad is not None and torch.isfinite(parameter.grad).all(), name
    if trunk == "separate":
        readers.zero_grad()
        readers.losses(chips, torch.Generator().manual_seed(0))["panel"].backward()
        of_shape = [p.grad for p in readers.trunks["shape"].parameters()]
        assert all(grad is None or not grad.any() for grad in of_shape)


def test_shared_and_separate_readers_are_compared_at_the_same_size():
    """The two model files differ in their readers alone, which have as many parameters within a tenth."""
    shared, apart = (load_model_file(name) for name in ("default", "separate-readers"))
    sizes = [sum(p.numel() for p in Readers(one.readers, Vocabulary()).parameters()) for one in (shared, apart)]
    assert sizes[1] == pytest.approx(sizes[0], rel=0.1)
    assert apart.readers.trunk == "separate"
    for part in ("detector", "detector_training", "reader_training"):
        assert getattr(apart, part) == getattr(shared, part)


def test_what_is_no_panel_teaches_no_attribute():
    torch.manual_seed(0)
    chips = DrawnChips(_words(), seed=4, chip_px=64, focus="panel").batch(6)
    chips.category[:] = 2  # with attributes still there: they must not be looked at
    losses = Readers(SETTINGS, _words()).losses(chips, torch.Generator().manual_seed(0))
    assert all(float(losses[name].detach()) == 0.0 for name in (*ATTRIBUTES, "turn"))
    assert float(losses["panel"].detach()) > 0.0


def test_the_second_look_learns_panel_or_not():
    """Half the crops hold a drawn panel, half the ground beside it: 60 steps must tell held-out ones apart."""
    torch.manual_seed(0)
    source, generator = DrawnChips(_words(), seed=4, chip_px=64, focus="panel"), torch.Generator().manual_seed(0)
    readers = Readers(SETTINGS, _words())
    optimiser = torch.optim.AdamW(readers.parameters(), lr=6e-3)
    chips = _with_bare_ground(source.batch(192))
    for step in range(60):
        part = select_chips(chips, torch.arange(step % 8, 192, 8))
        loss = readers.losses(part, generator)["panel"]
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
    held_out = _with_bare_ground(source.batch(64))
    _, log_odds = readers.eval().look(*cut_crops(held_out.image, held_out.chip, held_out.box_px, SETTINGS))
    assert share_told_apart(log_odds, held_out.category == 0) > 0.95


def test_share_told_apart_by_hand():
    log_odds, is_panel = torch.tensor([3.0, 1.0, 2.0, -1.0, 1.0]), torch.tensor([True, True, False, False, False])
    assert share_told_apart(log_odds, is_panel) == pytest.approx((3 + 1.5) / 6)
    assert math.isnan(share_told_apart(log_odds, torch.ones(5, dtype=torch.bool)))


def _with_bare_ground(chips):
    """The second half of the chips emptied: their boxes lie on smooth ground."""
    half = len(chips.image) // 2
    flat = torch.nn.functional.avg_pool2d(chips.image[half:].float(), 15, 1, 7).to(torch.uint8)
    noise = torch.randint(-8, 9, flat.shape, generator=torch.Generator().manual_seed(1))
    chips.image[half:] = (flat.int() + noise).clamp(0, 255).to(torch.uint8)
    chips.category[chips.chip >= half] = 2
    return chips


def test_a_crop_of_a_very_large_panel_looks_like_that_of_a_small_one():
    """Fine stripes on a panel of 640 px must average out in its crop, not turn into coarse ones (aliasing)."""
    stripes = torch.zeros(3, 800, 800, dtype=torch.uint8)
    stripes[:, :, ::2] = 200
    tight, _ = crops_of_frame(stripes, torch.tensor([[80.0, 80, 720, 720]]), SETTINGS)
    assert tight.shape[-1] == SETTINGS.tight_px and float((tight - 100).abs().max()) < 2


def test_colours_stay_exact_where_16_bit_arithmetic_is_on():
    """What is judged of the colours is the same with and without it, though the layers before are computed in 16 bits."""
    torch.manual_seed(0)
    readers = Readers(SETTINGS, _words()).eval()
    tight, wide = torch.rand(4, 3, 48, 48) * 255, torch.rand(4, 3, 12, 12) * 255
    kept = []
    readers.facts["shared"].register_forward_hook(lambda module, given, facts: kept.append((given[0], facts)))
    with torch.no_grad():
        readers(tight, wide)
        with torch.autocast("cpu", dtype=torch.bfloat16):
            readers(tight, wide)
    (exact, facts), (view, low) = kept
    assert low.dtype == torch.float32 and torch.allclose(facts, low, atol=0.01)
    assert torch.equal(exact.palette.paint, view.palette.paint) and torch.equal(exact.planes, view.planes)
