"""Exif of rendered frames: what a camera would write about lens, exposure and time (CIPA DC-008)."""

from __future__ import annotations

from PIL import ExifTags, Image
from PIL.TiffImagePlugin import IFDRational

from mission.camera import View
from mission.mission_file import Mission


def exif_of(mission: Mission, view: View) -> bytes:
    """Exif block of one frame; positions stay in truth.json, where they belong to a known frame of reference."""
    exif = Image.Exif()
    exif[ExifTags.Base.Software] = "panelscout"
    camera = mission.camera
    inner = exif.get_ifd(ExifTags.IFD.Exif)
    inner[ExifTags.Base.FocalLength] = IFDRational(round(camera.focal_length_mm * 100), 100)
    inner[ExifTags.Base.FNumber] = IFDRational(round(camera.f_number * 10), 10)
    inner[ExifTags.Base.ExposureTime] = IFDRational(1, max(1, round(1 / mission.flight.shutter_s)))
    inner[ExifTags.Base.ExifImageWidth] = camera.image_width_px
    inner[ExifTags.Base.ExifImageHeight] = camera.image_height_px
    if view.time:
        inner[ExifTags.Base.DateTimeOriginal] = view.time.replace("-", ":").replace("T", " ").rstrip("Z")
    return exif.tobytes()
