"""What a benchmark measured, kept as JSON lines: added to, never written over."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any


def note(ledger: Path | None, *lines: Mapping[str, Any]) -> None:
    """Add lines to a file; nothing without one. ValueError where a number is none (NaN or infinite)."""
    if ledger is not None:
        text = "".join(json.dumps(line, allow_nan=False) + "\n" for line in lines)
        with ledger.open("a") as file:
            file.write(text)
