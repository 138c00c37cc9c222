"""Configuration files: YAML read safely into pydantic models that refuse what they do not know.

Every file names its contract and version on top (``format: mission/1``); an unknown version is refused by name, an
unknown key with the nearest known one.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic.fields import FieldInfo

from mission.atomic import read_text
from mission.errors import InputError, must, shown

CONFIGS = Path(__file__).resolve().parent.parent / "configs"


class Settings(BaseModel):
    """Base of every configuration section: frozen, unknown keys refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, validate_default=True)


Model = TypeVar("Model", bound=Settings)


class _UniqueKeyLoader(yaml.SafeLoader):
    """SafeLoader that refuses a key given twice (YAML 1.2 asks for it; PyYAML would keep the last in silence)."""

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict[Any, Any]:
        seen: set[str] = set()
        for key_node, _ in node.value:
            key = str(key_node.value)
            if key in seen:
                raise yaml.constructor.ConstructorError(None, None, f"the key '{key}' twice", key_node.start_mark)
            seen.add(key)
        return super().construct_mapping(node, deep)


def read_yaml(path: str | Path) -> dict[str, Any]:
    """Read one YAML mapping; InputError where it is missing, empty, broken, tagged with code or not a mapping."""
    text = read_text(path)
    try:
        content = yaml.load(text, Loader=_UniqueKeyLoader)  # noqa: S506 (a SafeLoader: builds plain data only)
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        line = f" at line {mark.line + 1}" if mark else ""
        raise InputError(
            f"The file {path} must be plain YAML. Got {shown(getattr(error, 'problem', None) or 'broken text')}{line} instead."
        ) from None
    except (ValueError, RecursionError):
        raise InputError(f"The file {path} must be plain YAML. Got broken text instead.") from None
    if not isinstance(content, dict):
        raise InputError(f"The file {path} must hold a mapping of keys. Got {type(content).__name__} instead.")
    return content


def check_format(content: dict[str, Any], expected: str, where: str | Path) -> None:
    """Refuse by name a file of another contract or version."""
    found = content.get("format")
    if found != expected:
        raise must("format", f"be {expected}", "none" if found is None else found, where=where)


def shipped(kind: str, name_or_path: str | Path) -> Path:
    """Path of a configuration file: an existing path as it is, or the bare name of one that ships in ``configs/kind``."""
    path = Path(name_or_path)
    if path.suffix or path.exists() or len(path.parts) > 1:
        return path
    candidate = CONFIGS / kind / f"{path.name}.yaml"
    if candidate.exists():
        return candidate
    known = sorted(p.stem for p in (CONFIGS / kind).glob("*.yaml") if "." not in p.stem)
    raise InputError(
        f"The {kind[:-1]} '{shown(path.name)}' must be a YAML file or one of the shipped names ({', '.join(known)})."
        f" Got neither instead."
    )


def load_settings(path: str | Path, model: type[Model]) -> Model:
    """Read ``path`` into ``model``; every complaint is one sentence that names the file and the key."""
    return parse_settings(read_yaml(path), model, path)


def parse_settings(content: dict[str, Any], model: type[Model], where: str | Path) -> Model:
    """Validate an already parsed mapping; ``where`` is named in complaints."""
    expected = model.model_fields.get("format")
    if expected is not None:
        check_format(content, str(expected.default), where)
    try:
        return model.model_validate(content)
    except ValidationError as error:
        raise _sentence(error, model, where) from None


def _sentence(error: ValidationError, model: type[Settings], where: str | Path) -> InputError:
    first = sorted(error.errors(), key=lambda item: item["type"] != "extra_forbidden")[0]
    location = ".".join(str(part) for part in first["loc"])
    if first["type"] == "extra_forbidden":
        known = list(_keys_at(model, first["loc"][:-1]))
        near = difflib.get_close_matches(str(first["loc"][-1]), known, n=1, cutoff=0.5)
        hint = f" (did you mean '{near[0]}'?)" if near else f" (one of: {', '.join(sorted(known))})" if known else ""
        return InputError(f"The key '{location}' in {where} must be a known one{hint}. Got an unknown key instead.")
    if first["type"] == "missing":
        return InputError(f"The '{location}' in {where} must be given. Got nothing instead.")
    requirement = _requirement(first)
    return must(location or "file", requirement, first.get("input"), where=where)


def _requirement(problem: Any) -> str:
    message = str(problem["msg"])
    for prefix in ("Value error, ", "Assertion failed, ", "Input should "):
        if message.startswith(prefix):
            message = message[len(prefix) :]
            break
    return (
        message if message.startswith(("be ", "have ", "name ", "hold ", "lie ", "not ")) else f"be right ({message})"
    )


def _keys_at(model: type[BaseModel], location: tuple[Any, ...]) -> Iterator[str]:
    """Known keys of the section at ``location`` inside ``model`` (list indices and dictionary keys are passed over)."""
    current: type[BaseModel] | None = model
    for part in location:
        field = _field_named(current, str(part)) if current else None
        if field is None:
            continue
        current = _section_of(field.annotation)
    if current is not None:
        for name, field in current.model_fields.items():
            yield field.alias or name


def _field_named(model: type[BaseModel], key: str) -> FieldInfo | None:
    return next((field for name, field in model.model_fields.items() if key == (field.alias or name)), None)


def _section_of(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        found = _section_of(inner)
        if found is not None:
            return found
    return None
