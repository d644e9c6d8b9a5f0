"""The accuracy bench over a grid of scenes: cells, honesty, calibration and what is listed as weak."""

import dataclasses
import io
import json

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from standcam import flags, grid_bench, tables
from standcam.cli.app import app
from standcam.errors import BadSettings
from standcam.grid_bench import CALIBRATION, FACTORS, GRID, Factor, Grid, Shot
from standcam.synthetic.recipe import SceneRecipe
from standcam.synthetic.scene import make_scene, scene_record
from standcam.validation.score import Score
from standcam.validation.truth import TrueScene

SMALL = SceneRecipe().replace("camera", width_px=600, height_px=450, height_mm=850.0).replace("crop", weeds_per_m2=1.0)
TINY = (
    Factor("blur_px", SMALL, {"0.5": {"capture": {"blur_px": 0.5}}, "8": {"capture": {"blur_px": 8.0}}}),
    Factor("target", SMALL, {"none": {"target": {"kind": "none"}}}),
)


@pytest.fixture(scope="module")
def tiny():
    seen = []
    return grid_bench.run(TINY, scenes=1, on_done=lambda *what: seen.append(what)), seen


def shot(asked=10, hit=10, false=0, z=(), probability=(), is_crop=(), doubt=0):
    score = Score(asked, hit, false, 0, 0, 0, 0, asked, asked, np.full(hit, 0.3))
    return Shot(
        score, np.array(z, float), np.array(probability, float), np.array(is_crop, bool),
        np.array([2.0, -4.0]), np.array([0.1, np.nan]), doubt,
    )  # fmt: skip


def test_grid_holds_one_row_a_cell(tiny):
    grid, seen = tiny
    assert list(grid.table.columns) == GRID.names and list(grid.calibration.columns) == CALIBRATION.names
    cells = [("blur_px", "0.5"), ("blur_px", "8"), ("target", "none"), ("all", "")]
    assert list(grid.table[["factor", "level"]].itertuples(index=False, name=None)) == cells
    assert seen == [("blur_px 0.5", 1, 3), ("blur_px 8", 2, 3), ("target none", 3, 3)]
    assert grid.table["photos"].tolist() == [1, 1, 1, 3]
    assert grid.table["asked"].iloc[:3].sum() == grid.table["asked"].iloc[3]
    sharp, blurred, bare, _ = grid.table.to_dict("records")
    assert sharp["asked"] >= 4 and sharp["recall"] > 0.5 and not sharp["f1"] < blurred["f1"]
    # without a scale there are no centimetres to be honest about, and the photo says so
    assert "no_scale" in bare["doubt"] and np.isnan(bare["z_rms"]) and not bare["unsaid"]


def test_usual_flags_are_no_doubt(tiny):
    grid, _ = tiny
    assert not any("no_population" in words or "censored_ends" in words for words in grid.table["doubt"])


def test_levels_of_a_factor_share_their_rows():
    places = [
        make_scene(TINY[0].recipe(level, 0), TINY[0].recipe(level, 0).rng(5)).truth["x_along_row_mm"].tolist()
        for level in TINY[0].levels
    ]
    assert places[0] == places[1]


def test_perfect_finds_score_perfectly():
    """Finds taken from the truth: all of it is right, and an error of 1 cm by a standard error of 0.5 is a z of 2."""
    recipe = SMALL.replace("planter", p_double=0.0)
    scene = make_scene(recipe, recipe.rng(5))
    true = TrueScene(None, scene_record(scene), scene.truth)
    crop = scene.truth[(scene.truth["kind"] != "weed") & (scene.truth["row_id"] == 0) & (scene.truth["in_image"] == 1)]
    n = len(crop)
    plants = pd.DataFrame(
        {"row": 1, "x_px": crop["x_px"], "y_px": crop["y_px"], "position_sd_cm": 0.5, "crop_probability": 0.9,
         "is_crop": True}
    )  # fmt: skip
    ends, _ = scene.camera.project(np.array([[-450.0, 0, 0], [450.0, 0, 0]]))
    stretches = pd.DataFrame([{"row": 1, **dict(zip(grid_ends(), ends.ravel(), strict=True))}])
    x = np.sort(true.to_ground(crop[["x_px", "y_px"]].to_numpy(float))[:, 0])
    gaps = np.diff(x[np.abs(x) <= 45.1])
    rows = pd.DataFrame(
        [{"row": 1, "cv_pct": 100 * gaps.std(ddof=1) / gaps.mean() + 3, "sd_gap_cm": gaps.std(ddof=1), "flags": ""}]
    )
    made = grid_bench.compare(true, plants, rows, stretches)
    assert made.score.hit == made.score.asked >= 4 and made.score.false == 0 and made.doubt == 0
    assert made.is_crop.tolist() == [True] * n and made.probability.tolist() == [0.9] * n
    assert np.abs(made.z).max() < 0.05
    assert made.cv_error == pytest.approx([3.0], abs=1e-6) and made.sd_error_cm == pytest.approx([0.0], abs=1e-9)

    places = crop[["x_along_row_mm", "y_across_mm", "z_mm"]].to_numpy(float)
    moved, _ = scene.camera.project(places + np.array([10.0, 0, 0]))
    plants[["x_px", "y_px"]] = moved
    assert grid_bench.compare(true, plants, rows, stretches).z.mean() == pytest.approx(2.0, abs=0.05)


def grid_ends():
    from standcam.benchmark import ENDS

    return ENDS


def test_weak_cells_are_told_with_and_without_flag():
    blurred = flags.bit("blurred")
    cells = [
        grid_bench.cell("good", "1", [shot()]),
        grid_bench.cell("bad", "1", [shot(hit=6, false=2)]),
        grid_bench.cell("bad", "2", [shot(hit=6, false=2), shot(doubt=blurred, hit=5)]),
        grid_bench.cell("none", "1", [shot(asked=0, hit=0)]),
        grid_bench.cell("all", "", [shot()]),
    ]
    grid = Grid(tables.conform(GRID, pd.DataFrame(cells)), grid_bench.calibration([shot()]))
    assert grid.table["weak"].tolist() == [False, True, True, True, False]
    assert grid.table["unsaid"].tolist() == [False, True, False, True, False]
    assert grid.weak[["factor", "level"]].to_numpy().tolist() == [["bad", "1"], ["bad", "2"], ["none", "1"]]
    assert cells[1]["f1"] == pytest.approx(12 / 18)
    text = "\n".join(grid_bench.report_lines(grid))
    assert "bad 1: F1 0.67 of 10 plants, no flag" in text
    assert "bad 2: F1 0.67 of 20 plants, flagged in 1 of 2 photos: blurred" in text
    assert "none 1: nothing measured, no flag" in text and "good" not in text


def test_honesty_of_a_cell():
    row = grid_bench.cell("f", "1", [shot(z=[0.5, -0.5, 1.5]), shot(z=[-3.0])])
    assert row["z_rms"] == pytest.approx(np.sqrt((0.25 + 0.25 + 2.25 + 9) / 4))
    assert (row["within_1sd"], row["within_2sd"]) == (0.5, 0.75)
    assert row["stem_error_p95_mm"] == pytest.approx(3.0)
    assert row["cv_error_points"] == pytest.approx(3.0) and row["sd_error_cm"] == pytest.approx(0.1)


def test_calibration_by_bins():
    table = grid_bench.calibration(
        [
            shot(probability=[0.97, 1.0, 0.99], is_crop=[1, 1, 0]),
            shot(probability=[0.0, 0.3, np.nan], is_crop=[0, 1, 1]),
        ]
    )
    assert table["finds"].tolist() == [1, 1, 3]
    assert table["from_probability"].tolist() == [0.0, 0.2, 0.95]
    assert table["expected"].tolist() == pytest.approx([0.0, 0.3, 2.96 / 3])
    assert table["observed"].tolist() == pytest.approx([0.0, 1.0, 2 / 3])
    assert grid_bench.calibration([]).empty


def test_all_recipes_of_the_grid_can_be_made():
    for factor in FACTORS:
        assert len(factor.levels) >= 3
        recipes = [factor.recipe(level, 0) for level in factor.levels]
        assert len({repr(dataclasses.replace(recipe, name="same")) for recipe in recipes}) == len(recipes)
        assert len({recipe.name for recipe in recipes}) == 1
    assert len({factor.name for factor in FACTORS}) == len(FACTORS)


def test_unknown_factor():
    with pytest.raises(BadSettings, match="moon"):
        grid_bench.chosen(["moon"])
    assert [factor.name for factor in grid_bench.chosen(["soil", "light"])] == ["light", "soil"]


def test_command(tmp_path, monkeypatch):
    monkeypatch.setattr(grid_bench, "FACTORS", TINY[:1])
    out = tmp_path / "grid"
    ask = ["bench", "accuracy", "--grid", "--scenes", "1", "--only", "blur_px", "--out", str(out)]
    done = CliRunner().invoke(app, ask)
    assert done.exit_code == 0, done.output
    assert "2 cells, 2 photos" in done.output
    assert sorted(p.name for p in out.iterdir()) == ["calibration.csv", "grid.csv", "grid.png", "run.json"]
    table = pd.read_csv(io.StringIO((out / "grid.csv").read_text()))
    assert list(table.columns) == GRID.names and len(table) == 3
    assert list(pd.read_csv(out / "calibration.csv").columns) == CALIBRATION.names
    record = json.loads((out / "run.json").read_text())
    assert (record["scenes"], record["factors"], record["seed"]) == (1, ["blur_px"], grid_bench.SEED)
    assert (out / "grid.png").read_bytes().startswith(b"\x89PNG")
    assert CliRunner().invoke(app, ask).exit_code != 0  # never over results unasked


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["x", "--grid"], "--grid does not go with DIR"),
        (["--grid", "--by", "soil.kind"], "--grid does not go with --by"),
        (["x", "--scenes", "2"], "--scenes can only be used with --grid"),
        (["x", "--only", "soil"], "--only can only be used with --grid"),
        (["--by", "image"], "No folder of scenes is named"),
        (["--grid", "--only", "moon"], "No factor is named moon"),
    ],
)
def test_options_that_do_not_go_together(words, message):
    done = CliRunner().invoke(app, ["bench", "accuracy", *words])
    assert done.exit_code != 0
    assert message in f"{done.output} {done.exception}"
