"""Synthetic strips: truth against recipe, formula and map; rows, plots, mosaic and files."""

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pandas as pd
import pytest

from standcam.errors import BadSettings
from standcam.synthetic import ground_grid, strip_render
from standcam.synthetic.field import TRUTH_COLUMNS
from standcam.synthetic.mosaic import Mosaic, data_mask
from standcam.synthetic.recipe import RecipeBook, SceneRecipe, parse_recipe
from standcam.synthetic.scene import write_scenes
from standcam.synthetic.strip import make_strip, strip_places, to_map
from standcam.synthetic.strip_field import lay_strip, plot_spans, strip_camera
from standcam.synthetic.strip_recipe import StripRecipe

EXACT = {"placement_sd_mm": 0.0, "lateral_sd_mm": 0.0, "p_skip": 0.0, "p_double": 0.0, "p_no_emergence": 0.0}
SMALL = {"mm_per_px": 4.0, "length_mm": 2400.0, "width_mm": 1800.0, "row_count": 3}


def recipe(name="small", planter=None, crop=None, light=None, ground=None, capture=None, **strip):
    made = SceneRecipe(name, kind="strip").replace("strip", **(SMALL | strip))
    for part, values in {
        "planter": planter,
        "crop": crop,
        "light": light,
        "ground": ground,
        "capture": capture,
    }.items():
        made = made.replace(part, **(values or {}))
    return made


def field(r, seed=1):
    return lay_strip(r, np.random.default_rng(seed))


@cache
def strip(name="small", **changes):
    r = recipe(name, **changes)
    return make_strip(r, r.rng(11))


def test_truth_is_the_photos_truth_and_the_place_on_the_map():
    s = strip()
    assert list(s.truth.columns) == [*TRUTH_COLUMNS, "map_x", "map_y"]
    assert s.rgb.shape == (450, 600, 3)
    assert set(s.truth.image) == {"small.tif"}


def test_a_pixel_is_exactly_as_long_as_asked():
    # distances in the world over distances in pixels; x_px is rounded to a hundredth
    t = strip(heading_deg=11.0).truth
    world, px = t[["x_along_row_mm", "y_across_mm"]].to_numpy(float), t[["x_px", "y_px"]].to_numpy(float)
    far = np.linalg.norm(world - world[0], axis=1)
    np.testing.assert_allclose(np.linalg.norm(px - px[0], axis=1) * 4.0, far, atol=0.08)


def test_heading_is_counterclockwise_from_east_on_the_map():
    t = strip(heading_deg=11.0).truth
    world, place = t[["x_along_row_mm", "y_across_mm"]].to_numpy(float) / 1000, t[["map_x", "map_y"]].to_numpy(float)
    c, s = np.cos(np.deg2rad(11)), np.sin(np.deg2rad(11))
    turned = world @ np.array([[c, s], [-s, c]])
    # map places are rounded to a tenth of a millimetre, the middle of the strip is at half its length and width
    np.testing.assert_allclose(place - turned, [[512000 + 1.2, 4650000 - 0.9]] * len(t), atol=2e-4)


def test_truth_is_made_without_rendering():
    s = strip()
    places = strip_places(s.recipe, s.recipe.rng(11))
    shown = s.truth.loc[s.truth.in_image == 1, list(places.columns)].reset_index(drop=True)
    pd.testing.assert_frame_equal(places, shown)


def test_the_seed_decides_everything():
    s = strip()
    again = make_strip(s.recipe, s.recipe.rng(11))
    np.testing.assert_array_equal(again.rgb, s.rgb)
    np.testing.assert_array_equal(again.plant_ids, s.plant_ids)
    pd.testing.assert_frame_equal(again.truth, s.truth)
    other = strip_places(s.recipe, s.recipe.rng(12))
    assert not np.isin(other.x_px, s.truth.x_px).any()


def test_curved_rows_follow_the_formula():
    r = recipe(planter=EXACT, length_mm=30_000.0, mm_per_px=10.0, curve_mm=350.0, curve_length_mm=14_000.0,
               curve_phase_deg=40.0)  # fmt: skip
    f = field(r)
    crop = f.plants[f.plants.kind != "weed"]
    swing = 350.0 * np.sin(2 * np.pi * crop.x_mm / 14_000.0 + np.deg2rad(40.0))
    np.testing.assert_allclose(crop.y_mm - swing, f.lanes.row_mm[crop.row_id.astype(int)], atol=1e-6)


def test_seeds_lie_evenly_along_the_curve_and_not_along_x():
    r = recipe(planter=EXACT | {"nominal_spacing_mm": 150.0}, length_mm=30_000.0, mm_per_px=10.0, curve_mm=1500.0,
               curve_length_mm=9_000.0, row_count=1, width_mm=5000.0)  # fmt: skip
    crop = field(r).plants.query("kind != 'weed'")
    chord = np.hypot(np.diff(crop.x_mm), np.diff(crop.y_mm))
    # a chord is shorter than its arc by s^3 k^2 / 24: 0.08 mm at the sharpest bend, k = 1500 (2 pi / 9000)^2 / mm
    np.testing.assert_allclose(chord, 150.0, atol=0.12)
    assert np.diff(crop.x_mm).min() < 110


def test_rows_passes_and_guess_rows():
    r = recipe(row_count=8, pass_rows=4, guess_row_mm=90.0, width_mm=8000.0)
    rows = field(r).lanes.row_mm
    np.testing.assert_allclose(np.diff(rows), [760, 760, 760, 850, 760, 760, 760])
    assert rows.mean() == pytest.approx(0, abs=1e-9)
    np.testing.assert_allclose(field(replace_strip(r, shift_mm=120.0)).lanes.row_mm, rows + 120)


def replace_strip(r, **values):
    return r.replace("strip", **values)


def test_margins_are_bare_and_so_are_missing_stretches():
    r = recipe(margins_mm=(500.0, 300.0), length_mm=40_000.0, missing_per_100m=20.0, missing_mm=900.0)
    f = field(r)
    crop = f.plants[f.plants.kind != "weed"]
    # seeds scatter by 18 mm about their slots, and the row is cut where it ends
    assert crop.x_mm.min() >= -20_000 + 500
    assert crop.x_mm.max() <= 20_000 - 300
    assert 3 <= len(f.missing) <= 60  # Poisson, mean 23.5 in 3 rows of 39.2 m
    for row, start, stop in f.missing:
        assert 450 <= stop - start <= 1350
        assert not ((crop.row_id == row) & crop.x_mm.between(start, stop)).any()


def test_wheels_kill_what_they_roll_over():
    r = recipe(wheel_tracks_mm=(760.0,), wheel_width_mm=300.0, wheel_loss=1.0, curve_mm=100.0, length_mm=10_000.0)
    f = field(r)
    assert (f.plants.query("kind != 'weed'").row_id != 2).all()
    assert set(f.plants.row_id.dropna()) == {0, 1}


def test_plots_lose_what_their_treatment_takes_and_the_worn_unit_skips():
    r = recipe(planter=EXACT, length_mm=60_000.0, width_mm=7000.0, mm_per_px=20.0, row_count=8, pass_rows=8, plots=4,
               treatments=("none", "deep"), treatment_loss=(0.0, 0.3), worn_unit=3, worn_skip=0.4)  # fmt: skip
    f = field(r)
    crop = f.plants[f.plants.kind != "weed"]
    spans = plot_spans(r, f.lanes)
    assert len(spans) == 4 and all(b - a == pytest.approx(spans[0][1] - spans[0][0]) for a, b in spans)
    share = [crop.x_mm.between(a, b).sum() / ((b - a) / 165 * (7 + 0.6)) for a, b in spans]
    # binomial: SD of a share is below 0.02 of some 650 seeds a plot
    np.testing.assert_allclose(share, [1, 0.7, 1, 0.7], atol=0.07)
    rows = crop.groupby("row_id").size()
    assert rows.idxmin() == 2 and rows[2] < 0.75 * rows.drop(2).min()


def test_weeds_come_in_patches():
    # counts of weeds by square metre: variance over mean is 1 where they are anywhere alike (Poisson)
    def clumped(patch):
        r = recipe(crop={"weeds_per_m2": 8.0}, length_mm=20_000.0, width_mm=20_000.0, mm_per_px=10.0, weed_patch=patch)
        w = field(r).plants.query("kind == 'weed'")
        count, _, _ = np.histogram2d(w.x_mm, w.y_mm, bins=np.arange(-10_000, 10_001, 1000))
        return count.var() / count.mean()

    assert 0.8 < clumped(0.0) < 1.25
    assert clumped(1.0) > 3


def test_octaves_go_on_from_tile_to_tile():
    a = ground_grid.snapped(np.array([-700.0, -300.0]), np.array([900.0, 500.0]), 2.0)
    b = ground_grid.snapped(np.array([100.0, -100.0]), np.array([1900.0, 900.0]), 2.0)
    whole = ground_grid.octave(a, 140, ground_grid.GroundNoise(5, (0, 0)))
    other = ground_grid.octave(b, 140, ground_grid.GroundNoise(5, (0, 1)))
    x, y = round((b.x0_mm - a.x0_mm) / 2), round((b.y0_mm - a.y0_mm) / 2)
    shared = whole[y:, x:]
    np.testing.assert_allclose(shared, other[: shared.shape[0], : shared.shape[1]], atol=1e-5)
    assert 0.3 < whole.std() < 1.3


def test_tiles_make_no_difference_to_plants(monkeypatch):
    whole = strip(heading_deg=7.0)
    monkeypatch.setattr(strip_render, "TILE_CELLS", 500_000)
    r = whole.recipe
    assert len(list(strip_render._tiles(strip_camera(r), 2, 9, 100.0))) > 3
    tiled = make_strip(r, r.rng(11))
    np.testing.assert_array_equal(tiled.plant_ids > 0, whole.plant_ids > 0)
    np.testing.assert_allclose(tiled.truth.n_px, whole.truth.n_px, atol=0.11)  # rounded to a tenth
    np.testing.assert_allclose(tiled.truth.visible_frac, whole.truth.visible_frac, atol=0.02)
    # clods differ, light does not: coarse pictures agree
    coarse = [cv2.resize(s.rgb.astype(np.float32), (20, 15), interpolation=cv2.INTER_AREA) for s in (tiled, whole)]
    assert np.abs(coarse[0] - coarse[1]).mean() < 3


def test_without_seams_a_mosaic_changes_nothing():
    picture = np.random.default_rng(0).random((50, 600, 3)).astype(np.float32)
    assert Mosaic(recipe().strip, np.random.default_rng(0)).pieced(picture, 100) is picture


def test_seams_double_edges_by_no_more_than_asked():
    s = StripRecipe(mm_per_px=5.0, length_mm=10_000, width_mm=6000, frame_mm=2500, seam_shift_mm=30.0, seam_gain=0.0)
    dots = np.zeros((1200, 2000, 3), np.float32)
    dots[20:-20:40, 20:-20:40] = 1
    out = Mosaic(s, np.random.default_rng(3)).pieced(dots, 0)[..., 0]
    y, x = np.nonzero(out > 0.02)
    away = np.hypot((x - 20 + 20) % 40 - 20, (y - 20 + 20) % 40 - 20)
    # half of 30 mm is 3 px; bilinear sampling may spread a dot by one more each way
    assert 2 < away.max() <= 3 + np.sqrt(2) + 0.01
    assert out.sum() == pytest.approx(dots[..., 0].sum(), rel=0.03)
    # far from seams nothing moves: most dots are where they were
    assert (out[20:-20:40, 20:-20:40] > 0.9).mean() > 0.2


def test_a_ragged_rim_has_no_data_and_no_truth():
    s = strip(rim_mm=250.0)
    assert 0.02 < 1 - s.valid.mean() < 0.4
    assert (s.rgb[~s.valid] == 0).all() and (s.plant_ids[~s.valid] == 0).all()
    inside = s.truth[s.truth.in_image == 1]
    at = inside[["x_px", "y_px"]].round().to_numpy(int)
    assert s.valid[at[:, 1], at[:, 0]].all()
    assert (s.truth.visible <= s.truth.in_image).all()
    depth = np.argmax(data_mask(s.recipe.strip, np.random.default_rng(2)), axis=0)
    assert 5 < depth[100:-100].max() <= 250 / 4 + 1


def test_impossible_strips_are_refused():
    for wrong, word in [
        ({"mm_per_px": 0.2}, "mm_per_px"),
        ({"length_mm": 400_000, "width_mm": 400_000}, "million pixels"),
        ({"margins_mm": (1.0,)}, "margins_mm"),
        ({"worn_unit": 2}, "worn_unit"),
        ({"plots": 2, "treatment_loss": (0.1,)}, "treatment_loss"),
        ({"compress": "zip"}, "compress"),
    ]:
        with pytest.raises(BadSettings, match=word):
            StripRecipe(**wrong)
    with pytest.raises(BadSettings, match="no place"):
        field(recipe(plots=9))
    with pytest.raises(BadSettings, match="kind"):
        parse_recipe('[[scene]]\nname = "x"\nkind = "film"\n')


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("strips")
    r = recipe("field", heading_deg=4.0, plots=2, rim_mm=150.0, easting_m=400_123.4, northing_m=5_100_000.5, epsg=32632)
    write_scenes(RecipeBook(11, (r,)), folder)
    return folder, r


def test_files_have_the_layout_of_scenes(written):
    folder, _ = written
    made = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    assert made == {
        "images/field.tif", "truth/field.csv", "truth.csv", "scenes/field.scene.json", "masks/field_class.png",
        "masks/field_plants.png", "field_plots.geojson",
    }  # fmt: skip


def test_rasterio_puts_stems_where_the_truth_has_them(written):
    import rasterio

    folder, r = written
    truth = pd.read_csv(folder / "truth" / "field.csv")
    with rasterio.open(folder / "images" / "field.tif") as file:
        assert file.crs.to_epsg() == 32632
        assert (file.transform.a, file.transform.e) == (0.004, -0.004)
        assert file.profile["tiled"] and file.profile["compress"] == "jpeg"
        # pixel (0, 0) of the transform is the corner of the first pixel, ours is its centre
        x, y = rasterio.transform.xy(file.transform, truth.y_px.to_numpy(), truth.x_px.to_numpy(), offset="center")
        np.testing.assert_allclose(np.c_[x, y], truth[["map_x", "map_y"]], atol=1e-4)
        np.testing.assert_array_equal(file.dataset_mask() > 0, make_strip(r, r.rng(11)).valid)
    np.testing.assert_allclose(to_map(r, np.zeros((1, 2)))[0], [400_123.402, 5_100_000.498])


def test_plots_are_rectangles_along_the_rows_that_hold_the_crop(written):
    import geopandas
    from shapely import Point

    folder, _ = written
    plots = geopandas.read_file(folder / "field_plots.geojson")
    assert plots.crs.to_epsg() == 32632
    assert plots[["plot", "treatment", "block"]].to_numpy().tolist() == [["1", "A", "1"], ["2", "B", "1"]]
    truth = pd.read_csv(folder / "truth" / "field.csv").query("kind != 'weed' and in_image == 1")
    inside = [plots.contains(Point(x, y)).sum() for x, y in zip(truth.map_x, truth.map_y, strict=True)]
    assert max(inside) == 1
    # an alley of 0.6 m of 2.4 m, and the corners that a heading of 4 degrees cuts off, lie outside
    assert np.mean(inside) > 0.55


def test_numbers_of_plants_are_in_the_mask_and_weeds_above_ten_thousand(written):
    folder, _ = written
    truth = pd.read_csv(folder / "truth" / "field.csv")
    mask = cv2.imread(str(folder / "masks" / "field_plants.png"), cv2.IMREAD_UNCHANGED)
    kind = cv2.imread(str(folder / "masks" / "field_class.png"), cv2.IMREAD_UNCHANGED)
    assert mask.dtype == np.uint16
    assert {int(p[1:]) for p in truth.plant_id[truth.plant_id.str[0] == "p"]} >= set(mask[(mask > 0) & (mask < 10_000)])
    assert (kind[mask > 10_000] == 2).all() and (kind[(mask > 0) & (mask < 10_000)] == 1).all()


def test_flat_strips_go_to_a_folder_of_their_own(tmp_path):
    small = recipe("s", length_mm=600.0, width_mm=600.0)
    photo = SceneRecipe("p").replace("camera", width_px=160, height_px=120)
    write_scenes(RecipeBook(1, (photo, small)), tmp_path, flat=True)
    made = {p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*") if p.is_file()}
    assert made == {"p.jpg", "truth.csv", "strips/s.tif", "strips/truth.csv"}
    assert set(pd.read_csv(tmp_path / "truth.csv").image) == {"p.jpg"}


def test_deflate_keeps_every_pixel(tmp_path):
    import rasterio

    r = recipe("exact", compress="deflate", length_mm=600.0, width_mm=500.0)
    write_scenes(RecipeBook(1, (r,)), tmp_path, flat=True)
    with rasterio.open(tmp_path / "strips" / "exact.tif") as file:
        np.testing.assert_array_equal(np.moveaxis(file.read(), 0, 2), make_strip(r, r.rng(1)).rgb)


def test_a_book_knows_its_kinds():
    book = RecipeBook(1, (SceneRecipe("a"), recipe("b"), replace(SceneRecipe("c"), kind="flight")))
    assert [[s.name for s in book.of_kind(k)] for k in ("photo", "strip", "flight")] == [["a"], ["b"], ["c"]]
