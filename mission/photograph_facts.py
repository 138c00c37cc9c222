"""What a camera writes beside the pixels: Exif (CIPA DC-008) and the XMP packet (ISO 16684-1).

Everything is optional and nothing is believed beyond its plain meaning: text is cut, numbers must be finite, and the
altitude of satellite navigation is kept under a name that says what it is (above sea level).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from PIL import ExifTags, Image

_EXIF = ExifTags.Base
_GPS = ExifTags.GPS
# FocalPlaneResolutionUnit: 2 inch, 3 centimetre (Exif 2.3, tag 0xA210); 4 and 5 are in use for mm and um.
_MM_PER_UNIT = {2: 25.4, 3: 10.0, 4: 1.0, 5: 0.001}


@dataclass(frozen=True)
class PhotographFacts:
    """Facts of one photograph; None where not recorded or not usable.

    ``recorded_size_px`` is (width, height) as the camera noted it; ``pixel_pitch_mm`` comes from the focal-plane
    resolution; angles are degrees, the gimbal's pitch is -90 straight down; ``altitude_above_sea_m`` is what satellite
    navigation noted and is no height above the ground.
    """

    make: str | None = None
    model: str | None = None
    taken: str | None = None
    exposure_s: float | None = None
    f_number: float | None = None
    iso: float | None = None
    focal_length_mm: float | None = None
    focal_length_35mm: float | None = None
    digital_zoom: float | None = None
    pixel_pitch_mm: float | None = None
    recorded_size_px: tuple[int, int] | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    altitude_above_sea_m: float | None = None
    image_direction_deg: float | None = None
    image_direction_is_true_north: bool | None = None
    relative_height_m: float | None = None
    gimbal_pitch_deg: float | None = None
    gimbal_yaw_deg: float | None = None
    gimbal_roll_deg: float | None = None
    focal_length_px: float | None = None
    optical_centre_px: tuple[float, float] | None = None


def facts_of_image(image: Image.Image) -> PhotographFacts:
    """Read the facts of an opened image; a damaged Exif or XMP block reads as absent."""
    base, detail, gps = _blocks(image)
    xmp = _xmp_numbers(image)
    width, height = _number(detail.get(_EXIF.ExifImageWidth)), _number(detail.get(_EXIF.ExifImageHeight))
    centre = (xmp.get("CalibratedOpticalCenterX"), xmp.get("CalibratedOpticalCenterY"))
    return PhotographFacts(
        make=_text(base.get(_EXIF.Make)),
        model=_text(base.get(_EXIF.Model)),
        taken=_time(detail.get(_EXIF.DateTimeOriginal)),
        exposure_s=_positive(detail.get(_EXIF.ExposureTime)),
        f_number=_positive(detail.get(_EXIF.FNumber)),
        iso=_positive(detail.get(_EXIF.ISOSpeedRatings)),
        focal_length_mm=_positive(detail.get(_EXIF.FocalLength)),
        focal_length_35mm=_positive(detail.get(_EXIF.FocalLengthIn35mmFilm)),
        digital_zoom=_positive(detail.get(_EXIF.DigitalZoomRatio)),
        pixel_pitch_mm=_pitch_mm(detail),
        recorded_size_px=(int(width), int(height)) if width and height and min(width, height) >= 1 else None,
        latitude_deg=_angle(gps.get(_GPS.GPSLatitude), gps.get(_GPS.GPSLatitudeRef), "NS", 90),
        longitude_deg=_angle(gps.get(_GPS.GPSLongitude), gps.get(_GPS.GPSLongitudeRef), "EW", 180),
        altitude_above_sea_m=_altitude(gps),
        image_direction_deg=_number(gps.get(_GPS.GPSImgDirection)),
        image_direction_is_true_north={"T": True, "M": False}.get(str(gps.get(_GPS.GPSImgDirectionRef))),
        relative_height_m=xmp.get("RelativeAltitude"),
        gimbal_pitch_deg=xmp.get("GimbalPitchDegree"),
        gimbal_yaw_deg=xmp.get("GimbalYawDegree"),
        gimbal_roll_deg=xmp.get("GimbalRollDegree"),
        focal_length_px=_positive(xmp.get("CalibratedFocalLength")),
        optical_centre_px=(centre[0], centre[1]) if centre[0] is not None and centre[1] is not None else None,
    )


def _blocks(image: Image.Image) -> tuple[dict[int, Any], dict[int, Any], dict[int, Any]]:
    try:
        exif = image.getexif()
        return dict(exif), dict(exif.get_ifd(ExifTags.IFD.Exif)), dict(exif.get_ifd(ExifTags.IFD.GPSInfo))
    except Exception:
        return {}, {}, {}


def _xmp_numbers(image: Image.Image) -> dict[str, float]:
    """Numbers of the XMP packet by local name, whether written as attribute or as element.

    No XML parser: only plain numbers are wanted, and a packet from outside may hold entity bombs.
    """
    packet = image.info.get("xmp") or image.info.get("XML:com.adobe.xmp") or b""
    text = packet if isinstance(packet, str) else bytes(packet)[:1_000_000].decode("utf-8", "replace")
    number = r"\s*([+-]?\d{1,9}(?:\.\d{1,12})?)\s*"
    found: dict[str, float] = {}
    for pattern in (rf":(\w{{1,60}})\s*=\s*[\"']{number}[\"']", rf"<[\w-]{{1,40}}:(\w{{1,60}})>{number}</"):
        for name, value in re.findall(pattern, text):
            found.setdefault(name, float(value))
    return found


def _text(value: Any) -> str | None:
    if not isinstance(value, str):
        return None
    clean = " ".join(value.replace("\x00", " ").split())[:80]
    return clean or None


def _number(value: Any) -> float | None:
    first: Any = next(iter(value), None) if isinstance(value, tuple) else value  # ISO speed may be several numbers
    try:
        number = float(first)
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None
    return number if math.isfinite(number) else None


def _positive(value: Any) -> float | None:
    number = _number(value)
    return number if number is not None and number > 0 else None


def _time(value: Any) -> str | None:
    """ISO 8601 without a zone (Exif's DateTimeOriginal has none)."""
    try:
        return datetime.strptime(str(value).strip("\x00 "), "%Y:%m:%d %H:%M:%S").isoformat()
    except ValueError:
        return None


def _pitch_mm(detail: dict[int, Any]) -> float | None:
    pixels_per_unit = _positive(detail.get(_EXIF.FocalPlaneXResolution))
    unit_mm = _MM_PER_UNIT.get(int(_number(detail.get(_EXIF.FocalPlaneResolutionUnit)) or 0))
    if pixels_per_unit is None or unit_mm is None:
        return None
    pitch_mm = unit_mm / pixels_per_unit
    # Pixels of cameras are between half and thirty micrometres; anything else is a wrong unit.
    return pitch_mm if 0.0005 <= pitch_mm <= 0.03 else None


def _angle(parts: Any, side: Any, letters: str, limit_deg: float) -> float | None:
    """Degrees, minutes and seconds with their letter as signed degrees; None where any of it is missing or wrong."""
    if not isinstance(parts, tuple) or len(parts) != 3 or str(side) not in tuple(letters):
        return None
    degrees, minutes, seconds = (_number(part) for part in parts)
    if degrees is None or minutes is None or seconds is None:
        return None
    angle_deg = degrees + minutes / 60 + seconds / 3600
    if min(degrees, minutes, seconds) < 0 or angle_deg > limit_deg:
        return None
    return -angle_deg if str(side) == letters[1] else angle_deg


def _altitude(gps: dict[int, Any]) -> float | None:
    height_m = _number(gps.get(_GPS.GPSAltitude))
    if height_m is None:
        return None
    below = gps.get(_GPS.GPSAltitudeRef) in (1, b"\x01")
    return -height_m if below else height_m
