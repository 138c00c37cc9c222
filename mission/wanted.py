"""The wanted list: the panels that a run asks for (format wanted/1); a null attribute means "any"."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from mission.errors import must
from mission.settings import check_format, read_yaml
from mission.vocabulary import ATTRIBUTES, Vocabulary


@dataclass(frozen=True)
class WantedPanel:
    """One panel asked for. ``object`` is the id of the thing that it truly is, known only in truth."""

    id: str
    shape: str | None = None
    panel_colour: str | None = None
    mark: str | None = None
    mark_colour: str | None = None
    object: str | None = None

    def attributes(self) -> dict[str, str | None]:
        """Attribute -> value or None (any)."""
        return {key: getattr(self, key) for key in ATTRIBUTES}

    def to_json(self) -> dict[str, Any]:
        """An entry of ``runs[].wanted`` in truth.json."""
        return {"id": self.id, **self.attributes(), "object": self.object}


def wanted_from_json(content: Any, where: str, vocabulary: Vocabulary | None = None) -> tuple[WantedPanel, ...]:
    """Read a list of wanted panels; ids must be given and unique, values known where a vocabulary is handed over."""
    if not isinstance(content, list):
        raise must("wanted", "be a list", content, where=where)
    panels = tuple(_panel(item, index, where, vocabulary) for index, item in enumerate(content))
    ids = [panel.id for panel in panels]
    for panel_id in ids:
        if ids.count(panel_id) > 1:
            raise must("wanted", "give each id once", f"{panel_id} {ids.count(panel_id)} times", where=where)
    return panels


def _panel(item: Any, index: int, where: str, vocabulary: Vocabulary | None) -> WantedPanel:
    if not isinstance(item, Mapping):
        raise must(f"wanted[{index}]", "be a mapping", item, where=where)
    if item.get("id") is None:
        raise must(f"wanted[{index}].id", "be given", "nothing", where=where)
    values: dict[str, str | None] = {}
    for key in (*ATTRIBUTES, "object"):
        value = item.get(key)
        if value is not None and not isinstance(value, str | int):
            raise must(f"wanted[{index}].{key}", "be text or null (any)", value, where=where)
        values[key] = None if value is None else str(value)
        if vocabulary and key != "object" and value is not None and str(value) not in vocabulary.values(key):
            known = ", ".join(vocabulary.values(key))
            raise must(f"wanted[{index}].{key}", f"be one of {known}, or null (any)", value, where=where)
    return WantedPanel(str(item["id"]), **values)


def load_wanted(path: str | Path, vocabulary: Vocabulary | None = None) -> tuple[WantedPanel, ...]:
    """Read a wanted list (YAML, format wanted/1)."""
    content = read_yaml(path)
    check_format(content, "wanted/1", path)
    for key in content:
        if key not in ("format", "wanted"):
            raise must(key, "be a known key (format, wanted)", "an unknown key", where=path)
    return wanted_from_json(content.get("wanted"), str(path), vocabulary)
