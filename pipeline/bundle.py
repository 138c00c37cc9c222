"""Bundles: a trained detector and its readers with all that is needed to run them, in one folder (contract bundle/1).

``bundle.yaml`` says what it is and how it was made; two safetensors files hold the numbers. Loading builds the networks
from the model description and copies numbers: nothing in a bundle is ever executed.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

import torch
import yaml
from pydantic import Field, field_validator
from torch import Tensor, nn

from mission.atomic import new_folder, write_bytes, write_text
from mission.errors import InputError, must
from mission.model_file import FcosSettings, HeatMapSettings, ModelFile
from mission.settings import Settings, load_settings
from mission.vocabulary import ATTRIBUTES, CATEGORIES, Vocabulary
from pipeline.adapting import with_statistics_of
from pipeline.crops import crops_of_frame
from pipeline.crops_at_once import crops_at_once
from pipeline.detector import Detections, DetectorNetwork, HeatMapDetector
from pipeline.find_bundle import bundle_folder
from pipeline.fusing import fused_for_inference
from pipeline.panel_turn import upright_tables
from pipeline.processors import choose_device, for_reading
from pipeline.readers import Readers
from pipeline.score_map import ScoreMap
from pipeline.tensor_files import fill_network, halved, read_tensors, write_tensors
from pipeline.working_confidence import AtWork

Confidence = Annotated[float, Field(gt=0.0, lt=1.0)]
NotNegative = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]


class VocabularyRecord(Settings):
    """What the readers tell apart, in table order."""

    shapes: tuple[str, ...] = Field(min_length=1)
    colours: tuple[str, ...] = Field(min_length=1)
    marks: tuple[str, ...] = Field(min_length=1)
    extra_outlines: dict[str, tuple[tuple[float, float], ...]] = Field(default_factory=dict)

    @field_validator("shapes", "colours", "marks")
    @classmethod
    def _once(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        if len(set(value)) != len(value):
            raise ValueError("name each value once")
        return value


class WorkingConfidence(Settings):
    """Where finds, previews and false-alarm figures begin."""

    panel: Confidence = 0.5
    person: Confidence = 0.5


class ScoreMapRecord(Settings):
    """From a category's scores to probabilities (see pipeline.score_map)."""

    a: Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
    b: Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
    c: Annotated[float, Field(allow_inf_nan=False)]
    lowest: Annotated[float, Field(ge=0.0, lt=1.0)]


class AtWorkRecord(Settings):
    """What is to be expected on the mission's field at a working confidence (see pipeline.working_confidence.AtWork)."""

    confidence: Confidence  # as a score, before the map
    recall: Annotated[float, Field(ge=0.0, le=1.0)] | None
    objects: Annotated[int, Field(ge=0)]
    false_per_hectare: NotNegative
    false_per_frame: NotNegative
    false_counted: Annotated[int, Field(ge=0)]
    empty_hectares: NotNegative
    empty_frames: NotNegative
    f_measure: NotNegative | None
    recall_weight: NotNegative
    objects_per_hectare: NotNegative
    frame_px: tuple[int, int]
    capped: bool

    def at_work(self) -> AtWork:
        """As the rule gave it; what could not be measured is NaN there."""
        values: dict[str, Any] = {name: float("nan") if v is None else v for name, v in vars(self).items()}
        return AtWork(**values)


class TensorRecord(Settings):
    """One file of numbers."""

    file: str = Field(pattern=r"^[a-z_]+\.safetensors$")
    sha256: str = Field(pattern=r"^[0-9a-f]{64}$")


class BundleRecord(Settings):
    """The content of bundle.yaml. ``training`` and ``validation`` are a record for people, not used to run."""

    format: Literal["bundle/1"] = "bundle/1"
    categories: tuple[str, ...] = CATEGORIES
    vocabulary: VocabularyRecord
    model: ModelFile
    working_confidence: WorkingConfidence
    # What to expect at them; none where nobody measured it.
    at_work: dict[Literal["panel", "person"], AtWorkRecord] = Field(default_factory=dict)
    temperatures: dict[str, Annotated[float, Field(gt=0.0, le=100.0)]] = Field(default_factory=dict)
    # How much of a panel's final score is the readers' second look (see pipeline.second_look).
    second_look_weight: Annotated[float, Field(ge=0.0, lt=1.0)] = 0.0
    # Where there is one for a category, its reports carry probabilities, and so does its working confidence.
    score_maps: dict[Literal["panel", "person"], ScoreMapRecord] = Field(default_factory=dict)
    detector: TensorRecord
    readers: TensorRecord
    training: dict[str, Any] = Field(default_factory=dict)
    validation: dict[str, Any] = Field(default_factory=dict)

    @field_validator("categories")
    @classmethod
    def _ours(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        if value != CATEGORIES:
            raise ValueError(f"be {list(CATEGORIES)}")
        return value


def build_detector(settings: HeatMapSettings | FcosSettings) -> nn.Module:
    """An untrained detector of either kind; both answer to ``DetectorNetwork``."""
    if isinstance(settings, FcosSettings):
        from pipeline.fcos_rival import FcosDetector

        return FcosDetector(settings)
    return HeatMapDetector(settings)


class Bundle:
    """A detector and readers ready to run on one device."""

    categories = CATEGORIES

    def __init__(
        self, record: BundleRecord, name: str, detector: nn.Module, readers: Readers, device: torch.device
    ) -> None:
        self.record, self.name, self.device = record, name, device
        self.processor = for_reading(device)
        self.vocabulary = readers.vocabulary
        self.second_look_weight = record.second_look_weight
        self.score_maps = {name: ScoreMap(**vars(one)) for name, one in record.score_maps.items()}
        self.working_confidence = {"panel": record.working_confidence.panel, "person": record.working_confidence.person}
        self._unfused = detector
        layout = torch.channels_last if device.type == "cuda" else torch.preserve_format
        self._detector: DetectorNetwork = fused_for_inference(detector).to(device, memory_format=layout)  # type: ignore[assignment,call-overload]
        self._readers = readers.eval().to(device)
        self._upright: Tensor | None = None

    def adapted_to(self, windows: Tensor, photographs: int) -> Bundle:
        """This bundle with its detector's batch statistics mixed with those of uint8 windows [B, 3, S, S]; in memory only."""
        detector = with_statistics_of(self._unfused, windows, photographs)
        return Bundle(self.record, self.name, detector, self._readers, self.device)

    def detect(self, tiles: Tensor) -> list[Detections]:
        """Detections in uint8 RGB tiles [B, 3, h, w]: boxes (x0, y0, x1, y1) in tile pixels, on the CPU, best first.

        InputError where the tiles are of another type or depth.
        """
        if tiles.dtype != torch.uint8 or tiles.ndim != 4 or tiles.shape[1] != 3:
            raise must("tiles", "be 8-bit RGB of shape [B, 3, h, w]", f"{tiles.dtype} of shape {list(tiles.shape)}")
        if 0 in tiles.shape:
            return [Detections(torch.zeros(0, 4), torch.zeros(0), torch.zeros(0, dtype=torch.int64)) for _ in tiles]
        with self.processor.autocast():
            found = self._detector.detect(tiles.to(self.device))
        return [Detections(one.box_px.float().cpu(), one.score.float().cpu(), one.category.cpu()) for one in found]

    @torch.inference_mode()
    def read_attributes(self, frame: Tensor, box_px: Tensor, *, marks_upright: bool = False) -> dict[str, Tensor]:
        """Probabilities [K, values] of each attribute for boxes [K, 4] in one uint8 RGB frame [3, H, W], on the CPU.

        Values are in the order of ``vocabulary``; each row sums to 1. Beside them, under "panel", the probabilities [K] that
        there is a panel at all. ``marks_upright``: marks stand upright on their panels, so that a panel's turn tells 6 from 9.
        """
        if frame.dtype != torch.uint8 or frame.ndim != 3 or frame.shape[0] != 3:
            raise must("frame", "be 8-bit RGB of shape [3, H, W]", f"{frame.dtype} of shape {list(frame.shape)}")
        boxes = box_px.to("cpu", torch.float32).reshape(-1, 4)
        if not bool(torch.isfinite(boxes).all()):
            raise must("box_px", "hold finite numbers", "NaN or infinite ones")
        cut = crops_of_frame if frame.device.type == "cpu" else crops_at_once
        tight, wide = cut(frame, boxes, self._readers.settings)
        log_p, log_odds = self._readers.look(
            tight.to(self.device), wide.to(self.device), self._upright_tables() if marks_upright else None
        )
        out = {}
        for attribute in ATTRIBUTES:
            out[attribute] = (log_p[attribute] / self.record.temperatures.get(attribute, 1.0)).softmax(1).cpu()
        out["panel"] = (log_odds / self.record.temperatures.get("panel", 1.0)).sigmoid().cpu()
        return out

    @property
    def places_boxes(self) -> bool:
        """Whether the readers learnt where the sides of a box lie."""
        return len(self._readers.edges) > 0

    def placed_anew(self, frame: Tensor, box_px: Tensor) -> Tensor:
        """Boxes [K, 4] in one uint8 RGB frame [3, H, W], on the CPU, with their sides as full resolution shows them."""
        return self._readers.placed_anew(frame.to(self.device), box_px)

    def _upright_tables(self) -> Tensor:
        """See ``panel_turn.upright_tables``; reckoned once, by the first frame that asks."""
        if self._upright is None:
            self._upright = upright_tables(self._readers)
        return self._upright


def write_bundle(
    out: str | Path,
    model: ModelFile,
    vocabulary: Vocabulary,
    detector: nn.Module,
    readers: Readers,
    *,
    working_confidence: Mapping[str, float],
    at_work: Mapping[str, AtWork] | None = None,
    temperatures: Mapping[str, float],
    second_look_weight: float = 0.0,
    score_maps: Mapping[str, ScoreMap] | None = None,
    training: Mapping[str, Any],
    validation: Mapping[str, Any],
    half: bool = True,
    pictures: Mapping[str, bytes] | None = None,
    replace: bool = False,
) -> Path:
    """Write a whole bundle folder or nothing; ``half`` stores 16-bit numbers (half the bytes); ``pictures`` lie beside them."""
    final = Path(out)
    with new_folder(final, replace=replace) as folder:
        files = {}
        for part, network in (("detector", detector), ("readers", readers)):
            tensors = network.state_dict()
            write_tensors(folder / f"{part}.safetensors", halved(tensors) if half else tensors)
            digest = hashlib.sha256((folder / f"{part}.safetensors").read_bytes()).hexdigest()
            files[part] = {"file": f"{part}.safetensors", "sha256": digest}
        content = {
            "format": "bundle/1",
            "categories": list(CATEGORIES),
            "vocabulary": vocabulary.to_json(),
            "working_confidence": {name: float(f"{working_confidence[name]:.6g}") for name in CATEGORIES},
            "at_work": {name: _rounded(vars(one)) for name, one in (at_work or {}).items()},
            "temperatures": {name: round(float(value), 4) for name, value in temperatures.items()},
            "second_look_weight": float(second_look_weight),
            "score_maps": {
                name: {key: float(f"{value:.9g}") for key, value in vars(one).items()}
                for name, one in (score_maps or {}).items()
            },
            "validation": dict(validation),
            "training": dict(training),
            "model": model.model_dump(mode="json"),
            **files,
        }
        for name, picture in (pictures or {}).items():
            write_bytes(folder / name, picture)
        write_text(folder / "bundle.yaml", yaml.safe_dump(content, sort_keys=False, allow_unicode=True, width=110))
    return final


def _rounded(values: Mapping[str, Any]) -> dict[str, Any]:
    """Numbers to four digits, NaN as None."""

    def one(value: Any) -> Any:
        if isinstance(value, float):
            return None if math.isnan(value) else float(f"{value:.4g}")
        return list(value) if isinstance(value, tuple) else value

    return {name: one(value) for name, value in values.items()}


def load_bundle(path_or_name: str | Path, device: str = "auto") -> Bundle:
    """Read a bundle; InputError in one sentence for whatever is missing, damaged, extra or of another version."""
    folder = bundle_folder(path_or_name)
    record = load_settings(folder / "bundle.yaml", BundleRecord)
    words = record.vocabulary
    vocabulary = Vocabulary(words.shapes, words.colours, words.marks, dict(words.extra_outlines))
    detector = build_detector(record.model.detector)
    readers = Readers(record.model.readers, vocabulary)
    for network, entry in ((detector, record.detector), (readers, record.readers)):
        path = folder / entry.file
        tensors, _ = read_tensors(path)
        fill_network(network, tensors, path)
        if hashlib.sha256(path.read_bytes()).hexdigest() != entry.sha256:
            raise InputError(f"The file {path} must be the one that bundle.yaml records. Got other content instead.")
    chosen = choose_device(device)
    return Bundle(record, folder.name, detector, readers, chosen.device)


def check_vocabulary(bundle: Bundle, vocabulary: Vocabulary, what: str) -> None:
    """InputError where ``what`` (a mission) asks for values that the bundle's readers have never learnt."""
    for attribute in ("shape", "panel_colour", "mark"):
        unknown = [v for v in vocabulary.values(attribute) if v not in bundle.vocabulary.values(attribute)]
        if unknown:
            raise InputError(
                f"The bundle '{bundle.name}' must know every {attribute.replace('_', ' ')} of {what}. Got no"
                f" '{unknown[0]}' in its vocabulary instead."
            )
