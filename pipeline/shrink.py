"""A bundle with 16-bit numbers, small enough to ship inside the package."""

from __future__ import annotations

import hashlib
from pathlib import Path

import yaml

from mission.atomic import new_folder, write_text
from mission.errors import must
from mission.settings import read_yaml
from pipeline.bundle import load_bundle
from pipeline.find_bundle import bundle_folder
from pipeline.tensor_files import halved, read_tensors, write_tensors

#: What a bundle in the repository may weigh.
SHIPPED_BYTES = 20_000_000


def shrink_bundle(
    bundle: str | Path, out: str | Path, *, most_bytes: int = SHIPPED_BYTES, replace: bool = False
) -> Path:
    """Write ``bundle`` to ``out`` with 16-bit numbers and nothing that running it does not need; whole or not at all.

    A bundle whose numbers are 16-bit already keeps them as they are. InputError where ``bundle`` is damaged, or where it is
    larger than ``most_bytes`` even so.
    """
    folder = bundle_folder(bundle)
    load_bundle(folder, "cpu")  # refuses what is damaged
    content = read_yaml(folder / "bundle.yaml")
    final = Path(out)
    with new_folder(final, replace=replace) as smaller:
        for part in ("detector", "readers"):
            tensors, facts = read_tensors(folder / content[part]["file"])
            path = smaller / content[part]["file"]
            write_tensors(path, halved(tensors), facts)
            content[part]["sha256"] = hashlib.sha256(path.read_bytes()).hexdigest()
        write_text(smaller / "bundle.yaml", yaml.safe_dump(content, sort_keys=False, allow_unicode=True, width=110))
        size = sum(path.stat().st_size for path in smaller.iterdir())
        if size > most_bytes:
            raise must("bundle", f"take {most_bytes / 1e6:g} MB or less", f"{size / 1e6:.1f} MB", where=folder)
    return final
