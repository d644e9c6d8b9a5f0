"""``standcam scene``."""

import pandas as pd
from typer.testing import CliRunner

from standcam.cli.app import app

RECIPE = """
seed = 3
[[scene]]
name = "small"
[scene.camera]
width_px = 240
height_px = 180
"""


def call(*words):
    return CliRunner().invoke(app, ["scene", *map(str, words)])


def recipe_file(tmp_path, text=RECIPE):
    path = tmp_path / "recipe.toml"
    path.write_text(text)
    return path


def test_writes_photo_truth_scene_and_masks(tmp_path):
    out = tmp_path / "out"
    result = call(out, "--recipe", recipe_file(tmp_path))
    assert result.exit_code == 0, result.output
    assert "1 photo with" in result.output
    made = {p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file()}
    assert made == {
        "images/small.jpg", "truth/small.csv", "scenes/small.scene.json", "masks/small_class.png",
        "masks/small_plants.png", "truth.csv",
    }  # fmt: skip


def test_seed_changes_the_field_and_flat_leaves_only_photos_and_truth(tmp_path):
    recipe = recipe_file(tmp_path)
    for seed in (3, 4):
        assert call(tmp_path / str(seed), "--recipe", recipe, "--seed", seed, "--flat").exit_code == 0
    assert sorted(p.name for p in (tmp_path / "3").iterdir()) == ["small.jpg", "truth.csv"]
    x = [pd.read_csv(tmp_path / name / "truth.csv").x_px.to_list() for name in ("3", "4")]
    assert x[0] != x[1]


def test_existing_truth_is_not_overwritten_unasked(tmp_path):
    recipe = recipe_file(tmp_path)
    assert call(tmp_path / "a", "--recipe", recipe).exit_code == 0
    again = call(tmp_path / "a", "--recipe", recipe)
    assert again.exit_code == 2
    assert "already holds a truth.csv" in again.output
    assert call(tmp_path / "a", "--recipe", recipe, "--force").exit_code == 0


def test_a_bad_recipe_is_one_line(tmp_path):
    result = call(tmp_path / "b", "--recipe", recipe_file(tmp_path, RECIPE + "hight_mm = 3\n"))
    assert result.exit_code == 2
    assert "unknown keys: hight_mm" in result.output
    assert len(result.output.strip().splitlines()) == 1
    assert not (tmp_path / "b").exists()
