"""Is a frame set rendered here the one that the baseline was made on? ``python .ci/same_truth.py RENDERED KEPT``

Another processor may draw an edge a hair aside, so truths are compared with room for that; if they agree, the kept truth takes
the rendered one's place, and with it its fingerprint. Exit code 0, or 2 with the first thing that differs.
"""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path
from typing import Any

#: How far numbers under a key may lie apart: pixels, square pixels, shares, degrees. All others: nearly equal.
ROOM = {"bbox": 0.5, "segmentation": 0.5, "area": 50.0, "visible": 0.05, "mark_turn_deg": 0.5}
NEARLY = 1e-6


def difference(new: Any, old: Any, place: str = "", room: float = NEARLY) -> str | None:
    """Where two contents of JSON differ by more than there is room for, or None."""
    if isinstance(new, dict) and isinstance(old, dict):
        if new.keys() != old.keys():
            return f"{place or 'the top'} has other keys"
        parts = [(new[key], old[key], f"{place}.{key}", ROOM.get(key, room)) for key in old]
    elif isinstance(new, list) and isinstance(old, list):
        if len(new) != len(old):
            return f"{place} has {len(new)} entries and not {len(old)}"
        parts = [(a, b, f"{place}[{i}]", room) for i, (a, b) in enumerate(zip(new, old, strict=True))]
    elif isinstance(new, float) and isinstance(old, float):
        return None if abs(new - old) <= room * max(1.0, abs(old) * NEARLY) else f"{place} is {new} and not {old}"
    else:
        return None if new == old else f"{place} is {new} and not {old}"
    return next((found for part in parts if (found := difference(*part)) is not None), None)


def main() -> int:
    """Compare, and put the kept truth in the rendered one's place."""
    rendered, kept = Path(sys.argv[1]), Path(sys.argv[2])
    found = difference(json.loads(rendered.read_text()), json.loads(kept.read_text()))
    if found is not None:
        print(
            f"guard: the rendered frames must be those of the baseline. Got a truth where {found.lstrip('.')} instead."
        )
        return 2
    shutil.copyfile(kept, rendered)
    return 0


if __name__ == "__main__":
    sys.exit(main())
