"""Recipes: the shipped ones load, unknown things are refused by name."""

from __future__ import annotations

from pathlib import Path

import pytest

from mission.errors import InputError
from mission.mission_file import load_mission
from mission.recipe import DECOYS, POSTURES, Recipe, check_recipe, load_recipe


@pytest.mark.parametrize("name", ["field", "held-out", "plain"])
def test_shipped_recipes_load_and_fit_the_shipped_mission(name: str) -> None:
    check_recipe(load_recipe(name), load_mission("harrow-fen"))


def test_defaults_leave_out_no_kind() -> None:
    recipe = Recipe(name="all")
    assert set(recipe.decoys.kinds) == set(DECOYS)
    assert set(recipe.persons.postures) == set(POSTURES)


def test_held_out_frames_use_other_typefaces_than_training() -> None:
    assert load_recipe("field").panels.typefaces == "training"
    assert load_recipe("held-out").panels.typefaces == "held-out"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("format: recipe/1\nname: x\npanel: {}\n", r"The key 'panel' in .* \(did you mean 'panels'\?\)"),
        ("format: recipe/2\nname: x\n", r"The 'format' in .* must be recipe/1. Got recipe/2 instead."),
        ("format: recipe/1\n", r"The 'name' in .* must be given. Got nothing instead."),
        (
            "format: recipe/1\nname: x\ndecoys: {kinds: {dragon: 1}}\n",
            r"The 'decoys.kinds' in .* must name known kinds of decoy .* and 'dragon' is none",
        ),
        (
            "format: recipe/1\nname: x\ncomposition: {panels_per_chip: [4, 2]}\n",
            r"The 'composition.panels_per_chip' in .* must be two whole numbers",
        ),
        (
            "format: recipe/1\nname: x\npanels: {typefaces: other}\n",
            r"The 'panels.typefaces' in .* must be .*'held-out'.* Got other instead.",
        ),
        ("format: recipe/1\nname: x\npersons: {postures: {standing: 0}}\n", r"must hold weights that are not negative"),
    ],
)
def test_one_sentence_for_each_mistake(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "recipe.yaml"
    path.write_text(text)
    with pytest.raises(InputError, match=message):
        load_recipe(path)


def test_an_unknown_name_lists_the_shipped_ones() -> None:
    with pytest.raises(InputError, match=r"field, held-out, plain"):
        load_recipe("meadow")
