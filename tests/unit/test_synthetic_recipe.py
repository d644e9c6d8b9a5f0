"""Recipes: presets, names and messages."""

import pytest

from standcam.errors import BadSettings
from standcam.synthetic.recipe import SceneRecipe, parse_recipe, read_recipe

GOOD = """
seed = 12
[preset.fast.planter]
placement_sd_mm = 40.0
p_skip = 0.2
[preset.dark.ground]
soil = "wet"
[preset.careful.planter]
p_skip = 0.01
[[scene]]
name = "one"
use = ["fast", "dark", "careful"]
[scene.planter]
p_double = 0.5
[scene.target]
missing = [0, 2]
[[scene]]
name = "two"
"""


def test_presets_are_laid_over_each_other_and_the_scene_over_them():
    book = parse_recipe(GOOD)
    one, two = book.scenes
    assert book.seed == 12
    assert (one.planter.placement_sd_mm, one.planter.p_skip, one.planter.p_double) == (40.0, 0.01, 0.5)
    assert one.ground.soil == "wet"
    assert one.target.missing == (0, 2)
    assert two == SceneRecipe(name="two")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("seed = 1", "no [[scene]]"),
        ("sed = 1\n[[scene]]", "unknown tables: sed"),
        ("seed = -1\n[[scene]]", "seed is -1"),
        ("[[scene]]\nuse = ['x']", "unknown preset 'x'"),
        ("[[scene]]\nname = 'a b'", "'a b' cannot be a file name"),
        ("[[scene]]\n[[scene]]", "several scenes named scene"),
        ("[[scene]]\n[scene.camera]\ntilt = 3", "unknown keys: tilt"),
        ("[[scene]]\ncamera = 3", "camera is 3"),
        ("[[scene]]\n[scene.lens]\nk = 3", "unknown table or key 'lens'"),
        ("[[scene]]\n[scene.planter]\np_skip = 1.5", "p_skip is 1.5"),
        ("[[scene]]\n[scene.planter]\np_skip = 'often'", "[planter]"),
        ("[[scene]]\n[scene.ground]\nsoil = 'peat'", "soil is 'peat'"),
        ("[[scene]]\n[scene.capture]\norientation = 5", "orientation is 5"),
        ("[[scene]", "no valid TOML"),
    ],
)
def test_what_is_wrong_is_named(text, words):
    with pytest.raises(BadSettings) as caught:
        parse_recipe(text, "r.toml")
    assert words in str(caught.value)
    assert caught.value.remedy


def test_missing_recipe_file_is_named(tmp_path):
    with pytest.raises(BadSettings, match=r"none\.toml cannot be read"):
        read_recipe(tmp_path / "none.toml")


def test_a_scene_draws_by_seed_and_name_alone():
    one = SceneRecipe(name="one")
    assert one.rng(3).random() == one.replace("light", kind="haze").rng(3).random()
    assert one.rng(3).random() != SceneRecipe(name="two").rng(3).random()
    assert one.rng(3).random() != one.rng(4).random()
