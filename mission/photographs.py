"""Photographs as they come from cameras and cards: listing, loading as plain RGB, and their scale on the ground.

Pixels: uint8 [height, width, 3], RGB, x right and y down after the Exif orientation has been applied.
"""

from __future__ import annotations

import struct
import warnings
import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import ExifTags, Image
from pydantic import Field

from mission.errors import InputError, must
from mission.photograph_facts import PhotographFacts, facts_of_image
from mission.quantities import parse_quantity
from mission.settings import Settings, load_settings

SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff")
MAX_PIXELS = 200_000_000
GROUND_FILE = "ground.yaml"

# Widest departure of the optical axis from straight down at which one scale still holds for the whole frame
# (at 10 deg the scale changes by about 10 % over a 46 deg field of view). Our own choice.
NADIR_TOLERANCE_DEG = 10.0
# Sensor formats that an equivalent focal length can be turned back into (common practice, no source).
SENSOR_ASPECTS = (3 / 2, 4 / 3)

# Pillow refuses at twice this number and warns above it; our own limit is checked before any pixel is decoded.
Image.MAX_IMAGE_PIXELS = MAX_PIXELS
# What it warns of is refused or read as absent below; a second, longer message would only be in the way.
warnings.filterwarnings("ignore", category=Image.DecompressionBombWarning)
warnings.filterwarnings("ignore", message="Corrupt EXIF data", module="PIL")

# What Pillow's decoders raise on damaged files, by experience over its formats.
_DECODER_ERRORS = (
    OSError,
    SyntaxError,
    ValueError,
    EOFError,
    IndexError,
    KeyError,
    TypeError,
    struct.error,
    zlib.error,
)

# Exif orientation 1-8 (CIPA DC-008, tag 0x0112) as the turn that shows the photograph upright.
_UPRIGHT = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}


def list_photographs(folder: str | Path, *, subfolders: bool = False) -> list[Path]:
    """Photographs of ``folder`` by name (``subfolders``: of every folder below it too); a single photograph lists itself.

    Files are chosen by suffix, hidden ones passed over. InputError where the folder is missing or holds none.
    """
    place = Path(folder)
    if place.is_file():
        if place.suffix.lower() not in SUFFIXES:
            raise must("photograph", f"end in one of {', '.join(SUFFIXES)}", place.name)
        return [place]
    if not place.is_dir():
        raise InputError(f"The folder of photographs {place} must exist. Got no such folder instead.")
    found = place.rglob("*") if subfolders else place.iterdir()
    photographs = sorted(p for p in found if p.suffix.lower() in SUFFIXES and p.is_file() and not _is_hidden(p, place))
    if not photographs:
        raise InputError(f"The folder {place} must hold photographs ({', '.join(SUFFIXES)}). Got none instead.")
    return photographs


def _is_hidden(path: Path, below: Path) -> bool:
    return any(part.startswith(".") for part in path.relative_to(below).parts)


def load_photograph(path: str | Path) -> np.ndarray:
    """Decode one photograph to uint8 [height, width, 3] RGB, upright.

    Grey, palette, CMYK and 16-bit files are converted; transparent areas become black, as the empty rim of an
    orthophoto is. InputError where the file is missing, empty, truncated, no image, or above 200 megapixels.
    """
    with _opened(path) as image:
        try:
            orientation = _orientation(image)
            image.load()
            pixels = np.asarray(_as_rgb(image, path))
        except _DECODER_ERRORS as error:
            raise _unreadable(path, error) from None
    return _upright(pixels, orientation)


def photograph_size_px(path: str | Path) -> tuple[int, int]:
    """(width, height) of the upright photograph, from its header alone."""
    with _opened(path) as image:
        width, height = image.size
        return (height, width) if _orientation(image) >= 5 else (width, height)


def photograph_facts(path: str | Path) -> PhotographFacts:
    """What the camera wrote beside the pixels (Exif and XMP); fields that are absent or unusable are None."""
    with _opened(path) as image:
        return facts_of_image(image)


def _opened(path: str | Path) -> Image.Image:
    source = Path(path)
    if source.is_dir():
        raise InputError(f"The photograph {source} must be a file. Got a folder instead.")
    if not source.exists():
        raise InputError(f"The photograph {source} must exist. Got no such file instead.")
    if source.stat().st_size == 0:
        raise InputError(f"The photograph {source} must have content. Got an empty file instead.")
    try:
        image = Image.open(source)
    except Image.DecompressionBombError:
        raise must("photograph", "have at most 200 megapixels", "more", where=source) from None
    except _DECODER_ERRORS as error:
        raise _unreadable(source, error) from None
    width, height = image.size
    if width * height > MAX_PIXELS:
        image.close()
        raise must("photograph", "have at most 200 megapixels", f"{width} x {height} pixels", where=source)
    return image


def _unreadable(path: str | Path, error: BaseException) -> InputError:
    text = str(error).lower()
    what = "a truncated file" if "truncat" in text else "a file that no image decoder reads"
    return InputError(f"The photograph {path} must be a whole JPEG, PNG or TIFF image. Got {what} instead.")


def _orientation(image: Image.Image) -> int:
    try:
        value = image.getexif().get(ExifTags.Base.Orientation, 1)
    except _DECODER_ERRORS:
        return 1  # a broken Exif block says nothing about the pixels
    return value if value in _UPRIGHT else 1


def _upright(pixels: np.ndarray, orientation: int) -> np.ndarray:
    if orientation == 1:
        return pixels
    return np.asarray(Image.fromarray(pixels).transpose(_UPRIGHT[orientation]))


def _as_rgb(image: Image.Image, path: str | Path) -> Image.Image:
    if image.mode == "RGB":
        return image
    if image.mode.startswith("I"):  # I, I;16, I;16L, I;16B: sixteen bits of grey
        grey = np.asarray(image).astype(np.int64)
        if grey.min() < 0 or grey.max() > 65535:
            raise must("photograph", "have 8 or 16 bits a channel", "wider numbers", where=path)
        return Image.fromarray(((grey + 128) // 257).astype(np.uint8)).convert("RGB")
    if image.mode in ("F", "LAB", "HSV"):
        raise must("photograph", "hold grey, RGB or CMYK values of 8 or 16 bits", f"mode {image.mode}", where=path)
    if image.mode in ("RGBA", "LA", "La", "RGBa", "PA") or "transparency" in image.info:
        layered = image.convert("RGBA")
        black = Image.new("RGBA", layered.size, (0, 0, 0, 255))
        return Image.alpha_composite(black, layered).convert("RGB")
    return image.convert("RGB")


@dataclass(frozen=True)
class GroundScale:
    """Metres of ground to one pixel, and where that number comes from, for the reader."""

    gsd_m: float
    source: str


class GroundFile(Settings):
    """``ground.yaml`` beside photographs: ``gsd`` holds for all of them, ``photographs`` for single ones by file name."""

    format: str = "ground/1"
    gsd: str | float | None = None
    photographs: dict[str, str | float] = Field(default_factory=dict)


def parse_gsd(text: str | float) -> float:
    """Ground sample distance in metres from "1.7 cm", "1.7cm/px" or a bare number of metres; InputError otherwise."""
    bare = text.replace("/pixel", "").replace("/px", "") if isinstance(text, str) else text
    try:
        gsd_m = parse_quantity(bare, "metre")
    except ValueError as error:
        raise must("ground sample distance", str(error), text) from None
    if not 1e-4 <= gsd_m <= 10:
        raise must("ground sample distance", "lie between 0.1 mm and 10 m", text)
    return gsd_m


def photograph_scale(path: str | Path, *, gsd_m: float | None = None) -> GroundScale | None:
    """Scale of one photograph, or None where it cannot be known: see :func:`scale_or_reason`."""
    found = scale_or_reason(path, gsd_m=gsd_m)
    return found if isinstance(found, GroundScale) else None


def scale_or_reason(path: str | Path, *, gsd_m: float | None = None) -> GroundScale | str:
    """Scale of one photograph from, in this order, the option, ``ground.yaml`` beside it, and the camera's own record.

    Where none of them can be trusted the reason comes back as a clause that reads after "because". The altitude that
    satellite navigation writes into Exif (GPSAltitude) is height above sea level, drifts by tens of metres, and is
    never taken for height above the ground.
    """
    if gsd_m is not None:
        return GroundScale(gsd_m, "given")
    source = Path(path)
    listed = _listed_gsd_m(source)
    if listed is not None:
        return GroundScale(listed, GROUND_FILE)
    with _opened(source) as image:
        return scale_from_facts(facts_of_image(image), image.size)


def _listed_gsd_m(photograph: Path) -> float | None:
    file = photograph.parent / GROUND_FILE
    if not file.is_file():
        return None
    settings = load_settings(file, GroundFile)
    given = settings.photographs.get(photograph.name, settings.gsd)
    return None if given is None else parse_gsd(given)


def scale_from_facts(facts: PhotographFacts, size_px: tuple[int, int]) -> GroundScale | str:
    """Scale from relative height, focal length and pixel pitch where all three stand and the frame is whole.

    ``size_px`` is (width, height) as stored, before the orientation is applied. The height is the one above the
    take-off point that some cameras write into XMP: on sloping ground it is as wrong as the slope is high.
    """
    if facts.relative_height_m is None:
        return "it does not record its height above the take-off point"
    if facts.relative_height_m <= 0.5:
        return "its recorded height above the take-off point is not above the ground"
    if facts.gimbal_pitch_deg is None:
        return "it does not record which way the camera looked"
    if abs(facts.gimbal_pitch_deg + 90) > NADIR_TOLERANCE_DEG:
        return f"the camera looked {abs(facts.gimbal_pitch_deg + 90):.0f} degrees away from straight down"
    if facts.digital_zoom is not None and facts.digital_zoom > 1.001:
        return "it was taken with digital zoom"
    if facts.recorded_size_px is None:
        return "it does not record the size it was taken at"
    if not _whole_or_cropped_once(facts, size_px):
        return "it was cropped or resized after it was taken"
    if facts.focal_length_px is not None:
        gsd_m = facts.relative_height_m / facts.focal_length_px
        return GroundScale(gsd_m, "height above take-off and calibrated focal length in XMP")
    pitch_mm = _pixel_pitch_mm(facts)
    if pitch_mm is None or facts.focal_length_mm is None:
        return "its focal length or the size of its pixels is not recorded"
    gsd_m = facts.relative_height_m * pitch_mm / facts.focal_length_mm
    return GroundScale(gsd_m, "height above take-off in XMP and focal length in Exif")


def _whole_or_cropped_once(facts: PhotographFacts, size_px: tuple[int, int]) -> bool:
    # A uniform resize changes both sides and a crop of one side leaves the other: one equal side proves the scale.
    recorded_width, recorded_height = facts.recorded_size_px or (0, 0)
    width, height = size_px
    if width > recorded_width or height > recorded_height:
        return False
    if width != recorded_width and height != recorded_height:
        return False
    centre = facts.optical_centre_px
    # Editors rewrite the recorded size; the calibrated centre still tells of the frame that the lens drew.
    return centre is None or abs(2 * centre[0] - recorded_width) <= 0.1 * recorded_width


def _pixel_pitch_mm(facts: PhotographFacts) -> float | None:
    if facts.pixel_pitch_mm is not None:
        return facts.pixel_pitch_mm
    if facts.focal_length_35mm is None or facts.focal_length_mm is None or facts.recorded_size_px is None:
        return None
    width, height = facts.recorded_size_px
    aspect = max(width, height) / min(width, height)
    if all(abs(aspect - usual) > 0.02 * usual for usual in SENSOR_ASPECTS):
        return None
    # Equivalent by the diagonal of the 36 mm x 24 mm frame (CIPA DCG-001; from memory).
    diagonal_mm = float(np.hypot(36, 24)) * facts.focal_length_mm / facts.focal_length_35mm
    return diagonal_mm / float(np.hypot(width, height))
