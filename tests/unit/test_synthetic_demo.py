"""demo-images is what its recipe says."""

import hashlib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from standcam.images.photo import SUFFIXES, read_photo
from standcam.settings_file import read_settings
from standcam.spacing.tape import read_tape
from standcam.stand.plotmap import read_plot_map
from standcam.synthetic.demo import (
    TAPED,
    demo_recipe,
    demo_text,
    readme_text,
    strip_recipe,
    strip_text,
    survey_text,
    tape_text,
    whole_demo,
)
from standcam.synthetic.demo_rows import (
    BLOCKS,
    ROW_UNITS,
    ROW_WIDTH_CM,
    SPACING_CM,
    SPEEDS_KMH,
    WORN_UNIT,
    trial_files,
)
from standcam.synthetic.recipe import parse_recipe
from standcam.synthetic.scene import PLACE_COLUMNS, TRUTH_COLUMNS, make_scene, scene_places
from standcam.synthetic.strip import STRIP_PLACE_COLUMNS, strip_field, strip_places, strip_streams
from standcam.synthetic.strip_field import plot_spans
from standcam.synthetic.strip_files import plots_geojson

DEMO = Path(__file__).parents[2] / "demo-images"


@pytest.fixture(scope="module")
def truth():
    return pd.read_csv(
        DEMO / "truth.csv",
        dtype={"row_id": "Int64", "leaf_count": "Int64"},
        keep_default_na=False,
        na_values={"row_id": [""], "leaf_count": [""]},
    )


def digest(table):
    return hashlib.sha256(table.to_csv(index=False, lineterminator="\n").encode()).hexdigest()


def test_truth_is_made_anew_by_seed_and_recipe(truth):
    book = demo_recipe()
    made = pd.concat([scene_places(r, r.rng(book.seed)) for r in book.scenes], ignore_index=True)
    kept = truth.loc[truth.in_image == 1, PLACE_COLUMNS].reset_index(drop=True)
    assert digest(made) == digest(kept)


def test_one_photo_rendered_anew_shows_the_same_plants(truth):
    book = demo_recipe()
    r = book.scenes[-1]
    again = make_scene(r, r.rng(book.seed)).truth
    kept = truth[truth.image == f"{r.name}.jpg"].reset_index(drop=True)
    assert again.plant_id.to_list() == kept.plant_id.to_list()
    np.testing.assert_array_equal(again.visible, kept.visible)
    # areas may differ by some samples where another build of OpenCV rounds otherwise
    np.testing.assert_allclose(again.n_px, kept.n_px, rtol=0.02, atol=3)


def test_folder_holds_the_photos_of_the_recipe_and_stays_small(truth):
    photos = sorted(p.name for p in DEMO.iterdir() if p.suffix.lower() in SUFFIXES)
    assert photos == sorted(f"{r.name}.jpg" for r in demo_recipe().scenes)
    assert set(truth.image) == set(photos)
    assert list(truth.columns) == TRUTH_COLUMNS
    assert sum(p.stat().st_size for p in DEMO.iterdir()) < 9e6


def test_companions_are_those_the_program_writes(truth):
    book = demo_recipe()
    assert parse_recipe((DEMO / "recipe.toml").read_text(encoding="utf-8")) == book
    assert (DEMO / "recipe.toml").read_text(encoding="utf-8") == demo_text()
    assert (DEMO / "README.md").read_text(encoding="utf-8") == readme_text(book)
    assert (DEMO / "survey.toml").read_text(encoding="utf-8") == survey_text(book)
    for r in book.scenes:
        if r.name in TAPED:
            own = truth[truth.image == f"{r.name}.jpg"]
            text = (DEMO / f"tape_{r.name}.csv").read_text(encoding="utf-8")
            assert text == tape_text(r, own, TAPED[r.name], book.seed)


def test_the_taped_trial_is_made_anew_by_its_seed():
    for name, text in trial_files(demo_recipe().seed).items():
        assert (DEMO / name).read_text(encoding="utf-8") == text, name


def test_the_taped_trial_is_what_its_readme_says():
    positions, stretches = read_tape(DEMO / "tape_trial.csv")
    plots = read_plot_map(DEMO / "trial_plots.csv")
    assert len(stretches) == ROW_UNITS * len(plots) == ROW_UNITS * BLOCKS * len(SPEEDS_KMH)
    assert set(stretches["plot"]) == set(plots["plot"])
    assert plots.groupby("block")["speed_kmh"].apply(sorted).tolist() == [list(SPEEDS_KMH)] * BLOCKS
    spacing = read_settings(DEMO / "survey.toml").spacing
    assert (spacing.nominal_spacing_cm, spacing.row_width_cm) == (SPACING_CM, ROW_WIDTH_CM)
    per_unit = positions.groupby("row_unit")["position_cm"].size()
    assert per_unit.idxmin() == str(WORN_UNIT)


def test_survey_file_states_the_planter():
    spacing = read_settings(DEMO / "survey.toml").spacing
    first = demo_recipe().scenes[0]
    assert spacing.nominal_spacing_cm == first.planter.nominal_spacing_mm / 10
    assert spacing.row_width_cm == first.crop.row_width_mm / 10


@pytest.mark.parametrize("name", TAPED)
def test_tape_files_read_the_rows_to_some_millimetres(truth, name):
    positions, stretches = read_tape(DEMO / f"tape_{name}.csv")
    row = truth[(truth.image == f"{name}.jpg") & (truth.row_id == 0) & (truth.in_image == 1)]
    x = np.sort(row.x_along_row_mm.to_numpy()) / 10
    off = positions.position_cm.to_numpy() - x
    # an unknown peg, then 3 mm reading error and rounding to 0.1 in at worst
    assert np.abs(off - off.mean()).max() < 1.2
    assert (positions["plot"] == name).all()
    assert stretches.plants.to_list() == [len(x)]


def test_set_shows_what_it_promises(truth):
    row = truth[(truth.image == "fast_3_double.jpg") & (truth.row_id == 0) & (truth.in_image == 1)]
    gaps = np.diff(np.sort(row.x_along_row_mm))
    assert gaps.min() < 40 and gaps.max() > 1.5 * 165
    assert (row.is_double_of != "").any()
    weeds = truth[truth.kind == "weed"].groupby("image").size()
    assert weeds.idxmax() == "fast_4_weeds.jpg" and weeds.max() > 20
    turned = read_photo(DEMO / "fast_3_double.jpg")
    assert turned.height_px > turned.width_px
    assert turned.focal_length_35mm == 26
    kinds = {r.target.kind for r in demo_recipe().scenes}
    assert kinds == {"board", "stick"}
    assert {r.crop.species for r in demo_recipe().scenes} == {"maize", "soybean"}
    assert len({r.ground.soil for r in demo_recipe().scenes}) == 4


@pytest.fixture(scope="module")
def strip_truth():
    return pd.read_csv(
        DEMO / "strips" / "truth.csv",
        dtype={"row_id": "Int64", "leaf_count": "Int64"},
        keep_default_na=False,
        na_values={"row_id": [""], "leaf_count": [""]},
    )


def test_the_strips_truth_is_made_anew_by_seed_and_recipe(strip_truth):
    book = strip_recipe()
    assert (DEMO / "strips" / "recipe.toml").read_text(encoding="utf-8") == strip_text()
    assert whole_demo() == type(book)(demo_recipe().seed, (*demo_recipe().scenes, *book.scenes))
    assert book.seed == demo_recipe().seed
    made = pd.concat([strip_places(r, r.rng(book.seed)) for r in book.scenes], ignore_index=True)
    kept = strip_truth.loc[strip_truth.in_image == 1, STRIP_PLACE_COLUMNS].reset_index(drop=True)
    assert digest(made) == digest(kept)


def test_the_strip_is_small_and_lies_where_its_recipe_says(strip_truth):
    import rasterio

    (r,) = strip_recipe().scenes
    path = DEMO / "strips" / f"{r.name}.tif"
    assert path.stat().st_size < 600_000
    with rasterio.open(path) as file:
        assert (file.width, file.height) == (r.strip.width_px, r.strip.height_px)
        assert file.crs.to_epsg() == r.strip.epsg
        assert (file.transform.a, file.transform.c, file.transform.f) == (0.005, r.strip.easting_m, r.strip.northing_m)
        green = file.read().astype(int)
    crop = strip_truth[(strip_truth.kind != "weed") & (strip_truth.visible == 1) & (strip_truth.n_px > 60)]
    x, y = crop.x_px.round().astype(int).clip(2, 2517), crop.y_px.round().astype(int).clip(2, 1397)
    near = [2 * g[1] - g[0] - g[2] for g in (green[:, b - 2 : b + 3, a - 2 : a + 3] for a, b in zip(x, y, strict=True))]
    # within a centimetre of nearly every stem something is far greener than soil is
    soil = np.percentile(2 * green[1] - green[0] - green[2], 90)
    assert np.mean([n.max() > soil + 20 for n in near]) > 0.95


def test_the_strips_plots_and_worn_unit_show_in_its_truth(strip_truth):
    book = strip_recipe()
    (r,) = book.scenes
    field = strip_field(r, strip_streams(r.rng(book.seed))[0])
    kept = (DEMO / "strips" / f"{r.name}_plots.geojson").read_text(encoding="utf-8")
    assert kept == plots_geojson(r, field.lanes)
    crop = strip_truth[(strip_truth.kind != "weed") & (strip_truth.in_image == 1)]
    plots = [crop.x_along_row_mm.between(a, b).sum() for a, b in plot_spans(r, field.lanes)]
    assert min(plots[0], plots[2]) > max(plots[1], plots[3])
    assert crop.groupby("row_id").size().idxmin() == r.strip.worn_unit - 1
