"""Photographs made ready to be ground, kept on disk: decoding and resampling one takes a second, opening it again nothing.

What is kept lies in the folder ``PANELSCOUT_GROUND_STORE`` where that is set, else in the user's cache (``XDG_CACHE_HOME``,
else ``~/.cache``), and may be deleted at any time. Its name holds a fingerprint of the code that makes it, of the
photograph's path, size and time of change, and of the scale asked for.
Kept pixels are mapped, not read: processes that use the same photographs share their memory.
"""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from mission.atomic import replacing
from mission.errors import InputError
from mission.photographs import GroundScale, load_photograph
from synth.photo_kinds import ground_cells
from synth.photo_look import PhotographLook, estimate_look, local_light

LEAST_SIDE_PX = 256
#: Room that kept photographs may take on the disk [bytes]; the ones not used for longest go first.
MOST_KEPT_BYTES = 4_000_000_000
_MAKING_CODE = ("photo_store.py", "photo_kinds.py", "photo_look.py", "tone.py", "colour.py")


@dataclass(frozen=True)
class BankedPhotograph:
    """A photograph uint8 [H, W, 3], or a part of one, at the mission's scale; ``light``: see ``photo_look.local_light``;
    ``cells``: see ``photo_kinds.ground_cells``; ``kept`` is the file that its pixels are mapped from, if any."""

    name: str
    pixels: NDArray[np.uint8]
    look: PhotographLook
    light: NDArray[np.float32]
    scale: GroundScale
    flight: str = ""
    cells: NDArray[np.float32] | None = None
    kept: Path | None = None

    @property
    def area_px(self) -> int:
        """Pixels that it holds."""
        return self.pixels.shape[0] * self.pixels.shape[1]

    def __getstate__(self) -> dict[str, Any]:
        # To another process goes the name of the file; its pixels are shared through the page cache.
        state = dict(self.__dict__)
        if self.kept is not None and self.kept.exists():  # it may have made room for another
            state["pixels"] = None
        return state

    def __setstate__(self, state: dict[str, Any]) -> None:
        if state["pixels"] is None:
            state["pixels"] = _mapped(state["kept"])
        self.__dict__.update(state)


def prepared(
    path: Path, scale: GroundScale, mission_gsd_m: float, *, flight: str = "", keep: float = 1.0, number: int = 0
) -> BankedPhotograph:
    """A photograph at the mission's scale, from the store or made and put there.

    ``keep`` < 1 takes that share of each side only, at a place that ``number`` decides. InputError where the photograph
    cannot be read or is too small.
    """
    place = _place(path, [scale.gsd_m / mission_gsd_m, keep, number if keep < 1 else 0])
    found = None if place is None else _opened(place)
    if found is None:
        pixels = _at_scale(load_photograph(path), scale.gsd_m / mission_gsd_m, keep, number)
        if min(pixels.shape[:2]) < LEAST_SIDE_PX:
            raise InputError(
                f"The photograph {path} must be at least {LEAST_SIDE_PX} px wide and high at the mission's scale."
                f" Got {pixels.shape[1]} x {pixels.shape[0]} instead."
            )
        look = estimate_look(pixels)
        facts = (look, local_light(pixels, look), ground_cells(pixels, look, mission_gsd_m))
        if place is not None and _put(place, pixels, *facts):
            pixels = _mapped(place)
        else:
            place = None
        found = (pixels, *facts)
    pixels, look, light, cells = found
    return BankedPhotograph(path.name, pixels, look, light, scale, flight, cells, place)


@lru_cache(maxsize=1)
def _code() -> str:
    fingerprint = hashlib.sha256(np.__version__.encode())
    for name in _MAKING_CODE:
        fingerprint.update((Path(__file__).parent / name).read_bytes())
    return fingerprint.hexdigest()[:16]


def _folder() -> Path:
    chosen = os.environ.get("PANELSCOUT_GROUND_STORE")
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return (Path(chosen) if chosen else cache / "panelscout") / f"ground-{_code()}"


def _place(path: Path, how: list[float]) -> Path | None:
    """Where the pixels of a photograph prepared in that way are kept; None without a home to keep them in."""
    try:
        state = path.stat()
        what = json.dumps([str(path.resolve()), state.st_size, state.st_mtime_ns, *how])
        return _folder() / f"{hashlib.sha256(what.encode()).hexdigest()[:24]}.npy"
    except (OSError, RuntimeError):
        return None


def _mapped(place: Path) -> NDArray[np.uint8]:
    return np.load(place, mmap_mode="r", allow_pickle=False).view(np.ndarray)


_Facts = tuple[NDArray[np.uint8], PhotographLook, NDArray[np.float32], NDArray[np.float32]]


def _opened(place: Path) -> _Facts | None:
    """What is kept there, or None where it is absent or damaged."""
    try:
        pixels = _mapped(place)
        with np.load(place.with_suffix(".npz"), allow_pickle=False) as facts:
            written = json.loads(str(facts["look"]))
            look = PhotographLook(**written | {"white": tuple(written["white"])})
            light, cells = facts["light"], facts["cells"]
        if pixels.dtype != np.uint8 or pixels.ndim != 3 or pixels.shape[2] != 3:
            return None
        os.utime(place)
    except Exception:  # absent, cut short, or not ours: it is made anew
        return None
    return pixels, look, light, cells


def _put(
    place: Path,
    pixels: NDArray[np.uint8],
    look: PhotographLook,
    light: NDArray[np.float32],
    cells: NDArray[np.float32],
) -> bool:
    """Keep what was made; False where that cannot be done (a full disk, a read-only home)."""
    try:
        _make_room(place.parent, pixels.nbytes)
        with replacing(place.with_suffix(".npz")) as temporary, temporary.open("wb") as file:
            np.savez(file, look=np.array(json.dumps(asdict(look))), light=light, cells=cells)
        with replacing(place) as temporary, temporary.open("wb") as file:
            np.save(file, pixels, allow_pickle=False)
    except (OSError, RuntimeError):
        return False
    return True


def _make_room(folder: Path, size: int) -> None:
    """Delete what was not used for longest, until ``size`` more bytes fit below the limit."""
    kept = sorted(folder.parent.glob("ground-*/*.npy"), key=lambda p: p.stat().st_mtime)
    room = MOST_KEPT_BYTES - size - sum(p.stat().st_size for p in kept)
    for place in kept:
        if room >= 0:
            break
        room += place.stat().st_size
        place.unlink(missing_ok=True)
        place.with_suffix(".npz").unlink(missing_ok=True)


def _at_scale(pixels: NDArray[np.uint8], factor: float, keep: float, number: int) -> NDArray[np.uint8]:
    """A photograph (or the share ``keep`` of each side, placed by its number) enlarged by ``factor``."""
    if keep < 1:
        rng = np.random.default_rng(number)
        height, width = (max(min(LEAST_SIDE_PX * 4, side), round(side * keep)) for side in pixels.shape[:2])
        y, x = (int(rng.integers(0, a - b + 1)) for a, b in zip(pixels.shape[:2], (height, width), strict=True))
        pixels = pixels[y : y + height, x : x + width]
    if abs(factor - 1) < 0.02:
        return np.array(pixels)
    size = (round(pixels.shape[1] * factor), round(pixels.shape[0] * factor))
    return np.array(Image.fromarray(pixels).resize(size, Image.Resampling.BICUBIC))
