"""Gather what the loop needs on a GPU machine without a network: wheels of the light packages, and the photographs.

    python -m benchmarks.transfer.pack [--wheels .whl] [--data .transfer]

The GPU machine has PyTorch and torchvision of its own. Wheels are fetched by pip in the versions installed here; the
photographs are copied as they are (the judge draws its frames over there). Both folders are ignored by git.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

from benchmarks.transfer.judge import FLIGHT_NAMES

#: What mission, synth and the training path import beside torch, torchvision, numpy and safetensors.
PACKAGES = (
    "pydantic", "pydantic_core", "annotated-types", "typing-inspection", "typing_extensions", "Pint", "flexcache", "flexparser",
    "platformdirs", "pyproj", "PyYAML", "pillow", "click", "rich", "certifi",
)  # fmt: skip
PLATFORMS = ("manylinux_2_28", "manylinux_2_27", "manylinux_2_17", "manylinux2014", "manylinux1")


def fetch_wheels(folder: Path, python_version: str) -> None:
    """One wheel of each package, for Linux on x86-64."""
    shutil.rmtree(folder, ignore_errors=True)
    platforms = [text for name in PLATFORMS for text in ("--platform", f"{name}_x86_64")]
    wanted = [f"{name}=={version(name)}" for name in PACKAGES]
    subprocess.run(
        [sys.executable, "-m", "pip", "download", "-q", "--no-deps", "--only-binary=:all:", "--python-version", python_version,
         "--implementation", "cp", *platforms, "-d", str(folder), *wanted],
        check=True,
    )  # fmt: skip


def copy_photographs(source: Path, folder: Path) -> None:
    """The flights' photographs."""
    for flight in FLIGHT_NAMES:
        shutil.copytree(source / flight, folder / flight, dirs_exist_ok=True)


def size_mib(folder: Path) -> float:
    """Size of all files below a folder."""
    return sum(f.stat().st_size for f in folder.rglob("*") if f.is_file()) / 2**20


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    shared = Path(os.environ.get("PANELSCOUT_SHARED", "../shared")) / "data/aerial"
    parser.add_argument("--photographs", type=Path, default=shared)
    parser.add_argument("--wheels", type=Path, default=Path(".whl"))
    parser.add_argument("--data", type=Path, default=Path(".transfer"))
    parser.add_argument("--python-version", default="3.12")
    given = parser.parse_args()
    fetch_wheels(given.wheels, given.python_version)
    copy_photographs(given.photographs, given.data / "photographs")
    for folder in (given.wheels, given.data / "photographs"):
        print(f"{folder}: {size_mib(folder):.1f} MiB")


if __name__ == "__main__":
    main()
