"""Where bundles lie: in a folder that is named, or inside the package (free of torch, so that it costs nothing to ask)."""

from __future__ import annotations

from pathlib import Path

from mission.errors import InputError
from mission.settings import CONFIGS

#: The word for the bundle that ships with the package.
DEFAULT_BUNDLE = "default"
SHIPPED = CONFIGS / "bundles"


def default_bundle() -> Path | None:
    """The folder of the bundle that ships with the package; None where this installation has none."""
    folder = SHIPPED / DEFAULT_BUNDLE
    return folder if (folder / "bundle.yaml").is_file() else None


def bundle_folder(path_or_name: str | Path) -> Path:
    """The folder of a bundle given by its path, or by the bare name of a shipped one (such as ``default``)."""
    path = Path(path_or_name)
    shipped = SHIPPED / path.name
    is_shipped = len(path.parts) == 1 and (shipped / "bundle.yaml").is_file()
    # A folder of that name in the working folder goes first, unless it holds something else.
    if path.is_dir() and not (is_shipped and not (path / "bundle.yaml").is_file()):
        return path
    if is_shipped:
        return shipped
    if path == Path(DEFAULT_BUNDLE):
        raise InputError(
            f"The bundle '{DEFAULT_BUNDLE}' must have been shipped with this installation. Got none: train one with"
            " 'panelscout fit' instead."
        )
    raise InputError(f"The bundle '{path}' must be a folder with a bundle.yaml. Got no such folder instead.")
