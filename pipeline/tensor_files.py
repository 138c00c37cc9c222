"""Tensors on disk as safetensors (plain numbers, no code), written whole and read with suspicion."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import torch
from safetensors import SafetensorError, safe_open
from safetensors.torch import save_file
from torch import Tensor, nn

from mission.atomic import replacing
from mission.errors import InputError, must, shown


def write_tensors(path: str | Path, tensors: Mapping[str, Tensor], facts: Mapping[str, str] | None = None) -> None:
    """Write named tensors (and text facts in the header) so that ``path`` is either the old file or the whole new one."""
    content = {name: tensor.detach().cpu().contiguous().clone() for name, tensor in tensors.items()}
    with replacing(path) as temporary:
        save_file(content, str(temporary), metadata=dict(facts or {}))


def read_tensors(path: str | Path) -> tuple[dict[str, Tensor], dict[str, str]]:
    """Named tensors and text facts of a file; InputError where it is missing, truncated or of another kind."""
    source = Path(path)
    if not source.is_file():
        raise InputError(f"The tensor file {source} must exist. Got no such file instead.")
    try:
        with safe_open(str(source), framework="pt") as content:
            facts = dict(content.metadata() or {})
            return {name: content.get_tensor(name) for name in content.keys()}, facts  # noqa: SIM118
    except (SafetensorError, OSError, ValueError, RuntimeError) as error:
        raise InputError(f"The file {source} must be whole safetensors. Got '{shown(error, 60)}' instead.") from None


def fill_network(network: nn.Module, tensors: Mapping[str, Tensor], where: str | Path) -> None:
    """Copy tensors into a network of the same make; InputError names the first missing, extra, misshaped or NaN one."""
    wanted = network.state_dict()
    missing, extra = sorted(set(wanted) - set(tensors)), sorted(set(tensors) - set(wanted))
    if missing:
        raise InputError(
            f"The tensor '{missing[0]}' in {where} must be there. Got {len(missing)} missing tensors instead."
        )
    if extra:
        raise InputError(f"The tensors in {where} must fit the model. Got an extra '{shown(extra[0])}' instead.")
    for name, own in wanted.items():
        given = tensors[name]
        if given.shape != own.shape:
            raise must(name, f"have the shape {tuple(own.shape)}", tuple(given.shape), where=where)
        if given.is_floating_point() != own.is_floating_point():
            raise must(name, f"hold numbers of the kind {own.dtype}", given.dtype, where=where)
        if given.is_floating_point() and not bool(torch.isfinite(given).all()):
            raise must(name, "hold finite numbers only", "NaN or infinite ones", where=where)
    network.load_state_dict({name: tensors[name].to(own.dtype) for name, own in wanted.items()})


def halved(tensors: Mapping[str, Tensor]) -> dict[str, Tensor]:
    """float32 tensors as float16 (half the bytes); others as they are. Values beyond float16's range are refused."""
    out = {}
    for name, tensor in tensors.items():
        if tensor.dtype == torch.float32:
            small = tensor.to(torch.float16)
            if not bool(torch.isfinite(small).all()):
                raise must(name, "fit into 16-bit numbers", "larger values")
            tensor = small
        out[name] = tensor
    return out
