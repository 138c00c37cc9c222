"""The one exception that a person running the program is meant to read."""

from __future__ import annotations

from pathlib import Path
from typing import Any


class InputError(Exception):
    """Something handed to the program is wrong; the message is one sentence for the person who handed it over.

    The command line prints the message without a traceback and exits with 2.
    """


def shown(value: Any, limit: int = 80) -> str:
    """A value as it appears in a message: short, on one line, never empty."""
    text = str(value) if isinstance(value, str | Path | int | float) else repr(value)
    text = " ".join(text.split()) or "nothing"
    return text if len(text) <= limit else text[: limit - 1] + "…"


def must(name: str, requirement: str, got: Any, *, where: str | Path | None = None) -> InputError:
    """Build "The 'name' in WHERE must REQUIREMENT. Got GOT instead." as an InputError (to be raised by the caller).

    ``requirement`` starts after the word "must", for example ``"be positive"``.
    """
    place = f" in {where}" if where is not None else ""
    return InputError(f"The '{name}'{place} must {requirement}. Got {shown(got)} instead.")
