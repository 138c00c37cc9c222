"""The Harrow Fen mission with a small camera of the same scale, so that tests draw small frames."""

from __future__ import annotations

from mission.mission_file import Mission, load_mission


def small_mission(width_px: int = 640, height_px: int = 448, **flight: float) -> Mission:
    """A mission whose frames are ``width_px`` x ``height_px`` at the shipped mission's ground sample distance."""
    mission = load_mission("harrow-fen")
    pitch_mm = mission.camera.as_camera().pixel_pitch_mm
    camera = mission.camera.model_copy(
        update={
            "image_width_px": width_px, "image_height_px": height_px,
            "sensor_width_mm": width_px * pitch_mm, "sensor_height_mm": height_px * pitch_mm,
        }
    )  # fmt: skip
    return mission.model_copy(update={"camera": camera, "flight": mission.flight.model_copy(update=flight)})
