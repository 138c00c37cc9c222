"""Weights to start a training from: those of a trained bundle, fitted to the mission's vocabulary."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from torch import Tensor, nn

from mission.model_file import ModelFile, ReaderSettings
from mission.settings import load_settings
from mission.vocabulary import Vocabulary
from pipeline.bundle import BundleRecord, load_bundle
from pipeline.find_bundle import bundle_folder
from pipeline.readers import Readers
from pipeline.tensor_files import fill_network, read_tensors

# What the names of the tensors that place boxes begin with.
_EDGES = "edges."
# One list of values serves both colour attributes.
_LISTS = ("shapes", "marks", "colours")


def read_record(bundle: str | Path) -> BundleRecord:
    """The record of a bundle given by its folder or shipped name, without its numbers."""
    return load_settings(bundle_folder(bundle) / "bundle.yaml", BundleRecord)


def with_networks_of(settings: ModelFile, bundle: str | Path) -> ModelFile:
    """``settings`` with the detector and readers of a bundle: what is left to say is how they are trained.

    InputError where the bundle is damaged: better now than after the first part has been trained.
    """
    model = load_bundle(bundle, "cpu").record.model
    return settings.model_copy(update={"detector": model.detector, "readers": model.readers})


def fill_from_bundle(network: nn.Module, bundle: str | Path, part: str) -> None:
    """Copy the numbers of a bundle's ``part`` ("detector" or "readers") into a network of the same make.

    Readers may be for another vocabulary: what answers for a value that the bundle knows is copied from there, and what
    answers for a new value stays as it was made. So does what places boxes, where the bundle has nothing that does.
    """
    folder, record = bundle_folder(bundle), read_record(bundle)
    path = folder / f"{part}.safetensors"
    tensors, _ = read_tensors(path)
    if isinstance(network, Readers):
        known = _vocabulary(record)
        fill_network(Readers(record.model.readers, known), tensors, path)  # refuses damaged files by their own measure
        tensors = _fitted(tensors, network, record.model.readers, known)
        if not record.model.readers.edges_width:
            own = network.state_dict()
            tensors |= {name: own[name] for name in own if name.startswith(_EDGES)}
    fill_network(network, tensors, path)


def new_values(bundle: str | Path, vocabulary: Vocabulary) -> dict[str, list[str]]:
    """Values of a vocabulary that a bundle has never learnt, by list ("shapes", "marks", "colours"); empty lists left out."""
    known = _vocabulary(read_record(bundle))
    unknown = {name: [v for v in getattr(vocabulary, name) if v not in getattr(known, name)] for name in _LISTS}
    return {name: values for name, values in unknown.items() if values}


def remark_on_start(bundle: str | Path, vocabulary: Vocabulary) -> str:
    """One sentence: what is gone on from, and what has to be learnt from nothing."""
    known, name = _vocabulary(read_record(bundle)), bundle_folder(bundle).name
    unknown = new_values(bundle, vocabulary)
    if unknown:
        words = "; ".join(f"{kind} {', '.join(values)}" for kind, values in unknown.items())
        return (
            f"Starting from the bundle '{name}', which never learnt these values, so they begin from nothing: {words}."
        )
    if any(getattr(known, kind) != getattr(vocabulary, kind) for kind in _LISTS):
        return f"Starting from the bundle '{name}', whose readers are narrowed to the mission's vocabulary."
    return f"Starting from the bundle '{name}'."


def _vocabulary(record: BundleRecord) -> Vocabulary:
    words = record.vocabulary
    return Vocabulary(words.shapes, words.colours, words.marks, dict(words.extra_outlines))


def _fitted(
    tensors: dict[str, Tensor], network: Readers, settings: ReaderSettings, known: Vocabulary
) -> dict[str, Tensor]:
    """``tensors`` of readers for ``known`` with their rows reordered, left out or added as the network's vocabulary asks."""
    own = {name: tensor.detach().clone() for name, tensor in network.state_dict().items()}
    fitted = dict(tensors)
    for kind in _LISTS:
        before, after = getattr(known, kind), getattr(network.vocabulary, kind)
        if before == after:
            continue
        for name in _rows_by(kind, settings, known):
            rows = own[name]
            for row, value in enumerate(after):
                if value in before:
                    rows[row] = tensors[name][before.index(value)].to(rows.dtype)
            fitted[name] = rows
    return fitted


def _rows_by(kind: str, settings: ReaderSettings, known: Vocabulary) -> Sequence[str]:
    """Names of the tensors that have one row for each value of a list: those that change when the list grows by one."""
    lists = {name: getattr(known, name) for name in _LISTS}
    lists[kind] = (*lists[kind], lists[kind][0] + "'")
    wider = Readers(settings, Vocabulary(**lists, extra_outlines=known.extra_outlines)).state_dict()
    return [name for name, tensor in Readers(settings, known).state_dict().items() if tensor.shape != wider[name].shape]
