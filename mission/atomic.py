"""Files and folders that are either whole or absent.

Everything is written under a temporary name beside its destination and renamed when complete (POSIX rename is atomic
within one file system), so that a full disk, a kill or an interrupt never leaves half a file under the final name.
"""

from __future__ import annotations

import json
import math
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeGuard

from mission.errors import InputError


@contextmanager
def replacing(path: str | Path) -> Iterator[Path]:
    """Yield a temporary path beside ``path``; rename it over ``path`` on success, remove it on any failure."""
    final = Path(path)
    final.parent.mkdir(parents=True, exist_ok=True)
    # The suffix is kept last: encoders choose their format by it.
    handle, name = tempfile.mkstemp(prefix=f".{final.stem[:80]}.", suffix=final.suffix, dir=final.parent)
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        # mkstemp makes files private; give the permissions that a plain open() would have given.
        umask = os.umask(0)
        os.umask(umask)
        temporary.chmod(0o666 & ~umask)
        os.replace(temporary, final)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


def write_bytes(path: str | Path, content: bytes) -> None:
    """Write ``content`` so that ``path`` is either the old file or the whole new one."""
    with replacing(path) as temporary:
        temporary.write_bytes(content)


def write_text(path: str | Path, content: str) -> None:
    """Write UTF-8 text so that ``path`` is either the old file or the whole new one."""
    write_bytes(path, content.encode("utf-8"))


def write_json(path: str | Path, content: Any, *, indent: int | None = None) -> None:
    """Write JSON (RFC 8259: NaN and infinities are a programming error here and raise ValueError)."""
    write_text(path, json.dumps(content, indent=indent, allow_nan=False, ensure_ascii=False) + "\n")


def read_text(path: str | Path) -> str:
    """Read a UTF-8 text file; InputError in one sentence where it is missing, a folder, empty or not text."""
    source = Path(path)
    if source.is_dir():
        raise InputError(f"The file {source} must be a file. Got a folder instead.")
    if not source.exists():
        raise InputError(f"The file {source} must exist. Got no such file instead.")
    try:
        text = source.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise InputError(f"The file {source} must be UTF-8 text. Got other bytes instead.") from None
    except OSError as error:
        raise InputError(f"The file {source} must be readable. Got '{error.strerror}' instead.") from None
    if not text.strip():
        raise InputError(f"The file {source} must have content. Got an empty file instead.")
    return text


def _refuse_constant(name: str) -> float:
    raise ValueError(f"the number {name}, which JSON does not have")


def read_json(path: str | Path) -> Any:
    """Read JSON; InputError where the file is missing, empty, truncated, not JSON or holds NaN or an infinity."""
    text = read_text(path)
    try:
        content = json.loads(text, parse_constant=_refuse_constant)
    except json.JSONDecodeError as error:
        raise InputError(
            f"The file {path} must be whole JSON. Got '{error.msg}' at line {error.lineno} instead."
        ) from None
    except ValueError as error:
        raise InputError(f"The file {path} must hold finite numbers only. Got {error} instead.") from None
    except RecursionError:
        raise InputError(f"The file {path} must be JSON of ordinary depth. Got endless nesting instead.") from None
    return content


def is_finite_number(value: Any) -> TypeGuard[float]:
    """True for a real, finite number (JSON can still spell one as 1e999, which Python reads as infinity)."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


@contextmanager
def new_folder(path: str | Path, *, replace: bool = False) -> Iterator[Path]:
    """Yield a temporary folder beside ``path``; rename it to ``path`` on success, remove it on any failure.

    An existing, non-empty ``path`` is refused unless ``replace`` is set; then it is swapped out at the last moment.
    """
    final = Path(path)
    if final.exists() and not final.is_dir():
        raise InputError(f"The output {final} must be a folder. Got a file of that name instead.")
    if final.exists() and any(final.iterdir()) and not replace:
        raise InputError(f"The output folder {final} must be new or empty. Got one with files in it instead.")
    final.parent.mkdir(parents=True, exist_ok=True)
    temporary = Path(tempfile.mkdtemp(prefix=f".{final.name}.", dir=final.parent))
    temporary.chmod(0o755)
    try:
        yield temporary
        _swap_in(temporary, final)
    except BaseException:
        shutil.rmtree(temporary, ignore_errors=True)
        raise


def _swap_in(temporary: Path, final: Path) -> None:
    if not final.exists():
        os.rename(temporary, final)
        return
    old = Path(tempfile.mkdtemp(prefix=f".{final.name}.old.", dir=final.parent))
    os.rename(final, old / "previous")
    try:
        os.rename(temporary, final)
    except BaseException:
        os.rename(old / "previous", final)
        raise
    shutil.rmtree(old, ignore_errors=True)
