"""Can a classifier tell real ground from drawn ground, and by what? A diagnosis, not a goal: crops can be told apart by what no
detector looks at, and a renderer can be made to pass here without carrying over any better.

python -m benchmarks.drawing.two_samples PHOTOS --gsd 1.7cm [--scale-m 0.02] [--recipe field] [--crops 320] [--out DIR]

``PHOTOS`` is a folder of photographs, or of folders, one a flight; ``--gsd`` is as ``--ground-gsd`` of ``render``. Both kinds
are shrunk to one scale, no finer than any photograph's: enlarged ones would be known by their softness alone. Crops of bare
ground are described by a score of figures (``FIGURES``); gradient boosting and logistic regression learn to tell the two kinds
apart on some photographs and grounds and are asked about others (cross-validation by photograph and by drawn ground, never by
crop). The interval says nothing of how few photographs there are beyond how far they differ.
Needs scikit-learn; ``--out`` needs matplotlib. Some two minutes on a quiet core.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
from numpy.typing import NDArray

from mission.errors import InputError
from mission.ground_folder import parse_ground_scales
from mission.mission_file import load_mission
from mission.recipe import load_recipe
from pipeline.picture_measures import measure_pictures
from synth.chips import ChipSource
from synth.ground_spec import GroundSpec
from synth.mixed_ground import render_mixed
from synth.photo_ground import GroundBank
from synth.tone import LUMA

CROP_PX = 256
FOLDS = 5
_BATCH, _BLOCK = 16, 16
_TREES, _REPEATS = 100, 6
Picture = NDArray[np.uint8]

#: Name of each figure of a crop, and what it says.
FIGURES: dict[str, str] = {
    "lightness": "mean lightness of blocks, CIELAB L*",
    "green_red": "mean of blocks, CIELAB a*",
    "blue_yellow": "mean of blocks, CIELAB b*",
    "lightness_spread": "deviation of lightness between blocks",
    "colour_spread": "deviation of a* and b* between blocks",
    "sharpness": "softness: blur against a natural spectrum, px",
    "noise": "noise in the smoothest parts, codes",
    "fine_contrast": "contrast from pixel to pixel, logarithm",
    "coarse_contrast": "contrast over 16 px, logarithm",
    "slope_fine": "slope of the amplitude spectrum, wavelengths of 2.5 to 10 px",
    "slope_coarse": "slope of the amplitude spectrum, wavelengths of 10 to 100 px",
    "one_direction": "how much of the spectrum lies along one direction",
    "contrast_patchiness": "deviation of the logarithm of local contrast between blocks",
    "contrast_least": "local contrast of the smoothest tenth of blocks, logarithm",
    "heavy_tails": "kurtosis of steps between neighbouring pixels, logarithm",
    "light_from": "skewness of luminance",
    "dark_share": "share of pixels below code 25",
    "bright_share": "share of pixels above code 230",
    "hue_fine": "chroma contrast against lightness contrast from pixel to pixel, logarithm",
}


@dataclass(frozen=True)
class Sample:
    """Crops [n] uint8 [CROP_PX, CROP_PX, 3] of one kind and which photograph or drawn ground each is of."""

    crops: list[Picture]
    ground: list[str]


@dataclass(frozen=True)
class Verdict:
    """Accuracy (both kinds weigh the same), its 95 % interval over grounds, and how much it falls when a figure is shuffled."""

    accuracy: float
    interval: tuple[float, float]
    importance: dict[str, float]


def photographed(bank: GroundBank, count: int, seed: int) -> Sample:
    """Crops of a bank's photographs as they are, turned by quarters: as many of each flight, spread over its photographs."""
    rng, crops, ground = np.random.default_rng(seed), [], []
    for i in range(count):
        own = [p for p in bank.photographs if p.flight == bank.flights[i % len(bank.flights)]]
        photograph = own[int(rng.integers(len(own)))]
        y, x = (int(rng.integers(0, side - CROP_PX + 1)) for side in photograph.pixels.shape[:2])
        crop = np.rot90(photograph.pixels[y : y + CROP_PX, x : x + CROP_PX], int(rng.integers(4)))
        if np.median(crop.max(axis=2)) > 4:  # not the empty rim of a mosaic
            crops.append(np.ascontiguousarray(crop))
            ground.append(f"{photograph.flight}/{photograph.name}")
    return Sample(crops, ground)


def drawn(recipe_name: str, mission_name: str, count: int, seed: int, scale_m: float) -> Sample:
    """Bare procedural ground of a recipe, through the camera, shrunk to ``scale_m`` metres a pixel."""
    recipe = load_recipe(recipe_name)
    bare = recipe.composition.model_copy(update={"empty_share": 1.0, "decoys_per_chip": (0, 0)})
    recipe = recipe.model_copy(update={"composition": bare})
    mission = load_mission(mission_name)
    finest_m = mission.ground_sample_distance_m * recipe.composition.ground_sample_share[0]
    chip_px = max(CROP_PX, 4 * math.ceil(CROP_PX * scale_m / finest_m / 4))
    source = ChipSource(recipe, mission, seed=seed, chip_px=chip_px)
    crops: list[Picture] = []
    for number in range(-(-count // _BATCH)):
        scene = source.scene(min(_BATCH, count - len(crops)), number)
        pictures = render_mixed(scene, None, torch.device("cpu")).image.permute(0, 2, 3, 1).numpy()
        scales = [ground.gsd_m / scale_m for ground in scene.grounds if isinstance(ground, GroundSpec)]
        crops += [_shrunk(picture, scale) for picture, scale in zip(pictures, scales, strict=True)]
    return Sample(crops, [f"drawn {i}" for i in range(count)])


def _shrunk(picture: Picture, factor: float) -> Picture:
    """The top left of a picture, ``factor`` times as large (1 at most)."""
    side = min(round(CROP_PX / min(factor, 1.0)), *picture.shape[:2])
    piece = np.ascontiguousarray(picture[:side, :side])
    return cv2.resize(piece, (CROP_PX, CROP_PX), interpolation=cv2.INTER_AREA).astype(np.uint8)


def described(crops: Sequence[Picture]) -> NDArray[np.float64]:
    """FIGURES of each crop [n, figures]."""
    rows = []
    for crop in crops:
        found = measure_pictures([crop])
        lab = [np.array(found[key]) for key in ("lightness", "green_red", "blue_yellow")]
        row: dict[str, float] = {"lightness": float(lab[0].mean())}
        row |= {"green_red": float(lab[1].mean()), "blue_yellow": float(lab[2].mean())}
        row["lightness_spread"] = float(lab[0].std())
        row["colour_spread"] = float(np.hypot(lab[1].std(), lab[2].std()))
        row |= {key: found[key][0] for key in ("sharpness", "noise")}
        row |= {key: float(np.log(found[key][0] + 1e-3)) for key in ("fine_contrast", "coarse_contrast")}
        rows.append([(row | _texture(crop))[name] for name in FIGURES])
    return np.array(rows)


def _texture(crop: Picture) -> dict[str, float]:
    rgb = crop.astype(np.float64)
    luma = rgb @ np.array(LUMA)
    steps = np.diff(luma, axis=1).ravel()
    h, w = (side // _BLOCK for side in luma.shape)
    blocks = luma[: h * _BLOCK, : w * _BLOCK].reshape(h, _BLOCK, w, _BLOCK).std(axis=(1, 3))
    local = np.log(blocks + 0.5)
    chroma = np.diff(rgb[..., 0] - rgb[..., 2], axis=1)
    return spectrum_figures(luma) | {
        "contrast_patchiness": float(local.std()),
        "contrast_least": float(np.quantile(local, 0.1)),
        "heavy_tails": float(np.log(np.mean(steps**4) / (np.mean(steps**2) ** 2 + 1e-9) + 1e-3)),
        "light_from": float(np.mean((luma - luma.mean()) ** 3) / (luma.std() ** 3 + 1e-9)),
        "dark_share": float((luma < 25).mean()),
        "bright_share": float((luma > 230).mean()),
        "hue_fine": float(np.log((chroma.std() + 0.1) / (steps.std() + 0.1))),
    }


def spectrum_figures(luma: NDArray[np.float64]) -> dict[str, float]:
    """Slopes of the amplitude spectrum of luma [H, W] in two bands, and the share of its power along one direction (0..1)."""
    window = np.outer(np.hanning(luma.shape[0]), np.hanning(luma.shape[1]))
    power = np.abs(np.fft.rfft2((luma - luma.mean()) * window)) ** 2
    fy, fx = np.fft.fftfreq(luma.shape[0])[:, None], np.fft.rfftfreq(luma.shape[1])[None]
    f = np.hypot(fy, fx)
    found = {}
    for name, shortest, longest in (("slope_fine", 2.5, 10), ("slope_coarse", 10, 100)):
        edges = np.geomspace(1 / longest, 1 / shortest, 9)
        rings = [(f >= a) & (f < b) for a, b in zip(edges[:-1], edges[1:], strict=True)]
        level = [0.5 * np.log(power[ring].mean() + 1e-6) for ring in rings]
        found[name] = float(np.polyfit(np.log([f[ring].mean() for ring in rings]), level, 1)[0])
    band = (f > 1 / 64) & (f < 1 / 4)
    # Doubled angles: a direction and its opposite are one.
    angle = 2 * np.arctan2(fy, fx + 0 * fy)[band]
    weight = (power * f**2)[band]
    found["one_direction"] = float(np.hypot(weight @ np.cos(angle), weight @ np.sin(angle)) / (weight.sum() + 1e-9))
    return found


def judge(values: NDArray[np.float64], real: NDArray[np.bool_], ground: Sequence[str], seed: int) -> dict[str, Verdict]:
    """Verdicts of two classifiers on figures [n, figures]; no ground is ever both learnt from and asked about."""
    from sklearn.ensemble import GradientBoostingClassifier
    from sklearn.linear_model import LogisticRegression
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import StandardScaler

    models: Mapping[str, Callable[[], object]] = {
        "gradient boosting": lambda: GradientBoostingClassifier(n_estimators=_TREES, subsample=0.7, random_state=seed),
        "logistic regression": lambda: make_pipeline(StandardScaler(), LogisticRegression(max_iter=2000)),
    }
    return {name: _judged(make, values, real, np.array(ground), seed) for name, make in models.items()}


def _judged(
    make: Callable[[], object],
    values: NDArray[np.float64],
    real: NDArray[np.bool_],
    ground: NDArray[np.str_],
    seed: int,
) -> Verdict:
    from sklearn.inspection import permutation_importance
    from sklearn.model_selection import StratifiedGroupKFold

    right = np.zeros(len(real))
    falls = []
    for learnt, asked in StratifiedGroupKFold(FOLDS, shuffle=True, random_state=seed).split(values, real, ground):
        model = make()
        # Both kinds weigh the same, whatever came of rims and rounding.
        model.fit(values[learnt], real[learnt])  # type: ignore[attr-defined]
        right[asked] = model.predict(values[asked]) == real[asked]  # type: ignore[attr-defined]
        shuffled = permutation_importance(
            model, values[asked], real[asked], scoring="balanced_accuracy", n_repeats=_REPEATS, random_state=seed
        )
        falls.append(shuffled.importances_mean)  # type: ignore[union-attr]
    low, high = np.quantile(_resampled(right, real, ground, seed), [0.025, 0.975])
    importance = dict(zip(FIGURES, np.mean(falls, axis=0).tolist(), strict=True))
    accuracy = float((right[real].mean() + right[~real].mean()) / 2)
    return Verdict(accuracy, (float(low), float(high)), importance)


def _resampled(right: NDArray[np.float64], real: NDArray[np.bool_], ground: NDArray[np.str_], seed: int) -> list[float]:
    """Accuracies with whole grounds drawn anew, photographs and drawn ones apart."""
    rng = np.random.default_rng(seed)
    sides = []
    for side in (real, ~real):
        by_ground = [right[side & (ground == name)] for name in np.unique(ground[side])]
        sides.append((np.array([r.sum() for r in by_ground]), np.array([len(r) for r in by_ground])))
    found = []
    for _ in range(1000):
        shares = []
        for hits, number in sides:
            pick = rng.integers(0, len(hits), len(hits))
            shares.append(hits[pick].sum() / number[pick].sum())
        found.append(float(np.mean(shares)))
    return found


def draw_cues(
    path: Path, values: NDArray[np.float64], real: NDArray[np.bool_], verdict: Verdict, most: int = 8
) -> None:
    """Histograms of the strongest cues, photographed and drawn, into a PNG."""
    from matplotlib.figure import Figure

    names = sorted(FIGURES, key=lambda name: -verdict.importance[name])[:most]
    figure = Figure(figsize=(13, 3 * -(-most // 4)), layout="constrained")
    for i, name in enumerate(names):
        axes = figure.add_subplot(-(-most // 4), 4, i + 1)
        column = values[:, list(FIGURES).index(name)]
        low, high = np.quantile(column, [0.005, 0.995])
        edges = np.linspace(float(low), float(high), 30).tolist()
        for side, words, colour in ((real, "photographed", "#0072B2"), (~real, "drawn", "#D55E00")):
            axes.hist(column[side], bins=edges, density=True, alpha=0.55, label=words, color=colour)
        axes.set_title(f"{name}: {verdict.importance[name]:+.3f}", fontsize=9)
        axes.set_xlabel(FIGURES[name], fontsize=7)
        axes.set_yticks([])
    figure.axes[0].legend(fontsize=8)
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, dpi=90)


def main() -> None:
    parser = argparse.ArgumentParser(description="Tell real ground from drawn ground, and say by what.")
    parser.add_argument("photographs", help="a folder of photographs, or of folders, one a flight")
    parser.add_argument("--gsd", default=None, help='scale: "1.7cm", or "field=1.7cm,wood=2cm" by flight')
    parser.add_argument("--scale-m", type=float, default=0.02, help="metres a pixel at which both are judged")
    parser.add_argument("--recipe", default="field")
    parser.add_argument("--mission", default="harrow-fen")
    parser.add_argument("--crops", type=int, default=320, help="of each kind")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--out", type=Path, default=None, help="folder for histograms of the strongest cues")
    options = parser.parse_args()
    torch.set_num_threads(1)
    try:
        scales = None if options.gsd is None else parse_ground_scales(options.gsd)
        bank = GroundBank.from_folder(options.photographs, scales, mission_gsd_m=options.scale_m)
    except InputError as error:
        raise SystemExit(str(error)) from None
    sides = (
        photographed(bank, options.crops, options.seed),
        drawn(options.recipe, options.mission, options.crops, options.seed, options.scale_m),
    )
    values = np.concatenate([described(side.crops) for side in sides])
    real = np.repeat([True, False], [len(side.crops) for side in sides])
    verdicts = judge(values, real, [*sides[0].ground, *sides[1].ground], options.seed)
    print(
        f"{len(sides[0].crops)} crops of {len(set(sides[0].ground))} photographs, {len(sides[1].crops)} of drawn grounds"
    )
    for name, verdict in verdicts.items():
        low, high = verdict.interval
        print(f"{name}: {verdict.accuracy:.3f} right ({low:.3f} to {high:.3f}; 0.5 is guessing)")
    best = verdicts["gradient boosting"]
    for name in sorted(FIGURES, key=lambda name: -best.importance[name])[:10]:
        column = values[:, list(FIGURES).index(name)]
        middles = (float(np.median(column[side])) for side in (real, ~real))
        print(
            f"    {best.importance[name]:+.3f} {name}: median {next(middles):.3g} photographed, {next(middles):.3g} drawn"
            f" ({FIGURES[name]})"
        )
    if options.out:
        draw_cues(options.out / "cues.png", values, real, best)
        print(f"Histograms of the strongest: {options.out / 'cues.png'}")


if __name__ == "__main__":
    main()
