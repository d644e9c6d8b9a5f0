"""The demonstration strip from mosaic to tables: rows, stems, plots, and the same whatever the tiles and workers."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from fixtures.listener import Listener

from standcam.batch.store import WorkStore
from standcam.batch.strip_run import count_strip, extent_of
from standcam.images.raster import open_raster
from standcam.images.raster_read import square_px
from standcam.settings import Settings
from standcam.strip_bench import mosaic_of
from standcam.strips.plots import read_plots
from standcam.validation.match import match

STRIPS = Path(__file__).parents[2] / "demo-images" / "strips"
ORTHO, OUTLINES = STRIPS / "trial_strip.tif", STRIPS / "trial_strip_plots.geojson"


@pytest.fixture(scope="module")
def truth() -> pd.DataFrame:
    return pd.read_csv(STRIPS / "truth.csv")


@pytest.fixture(scope="module")
def whole():
    """One tile, which has no seams."""
    settings = Settings().replace("raster", tile_px=4096)
    return count_strip(open_raster(ORTHO, settings.raster), settings)


def crops(counted) -> pd.DataFrame:
    plants = counted.cut.plants
    return plants[plants["is_crop"]]


def test_all_rows_are_found_within_two_centimetres(whole, truth):
    rows = whole.measurement.rows.rows
    assert len(rows) == 8
    crop = truth[truth["kind"] != "weed"]
    origin = np.array(whole.measurement.site.origin_m)
    for _, plants in crop.groupby("row_id"):
        places = (plants[["map_x", "map_y"]].to_numpy(float) - origin) * 100
        row = min(rows, key=lambda r: np.abs(np.median(r.offset(places))))
        # seeds scatter about their row by some millimetres; the line is their middle
        smooth = pd.Series(row.offset(places)[np.argsort(row.position(places))]).rolling(15).mean().dropna()
        assert np.abs(smooth).max() < 2.0


def test_stems_are_found_where_they_stand(whole, truth):
    shown = truth[(truth["kind"] != "weed") & (truth["visible"] == 1)]
    found = crops(whole)[["easting_m", "northing_m"]].to_numpy(float) * 100
    pairs = match(found, shown[["map_x", "map_y"]].to_numpy(float) * 100, 4.0)
    recall, precision = len(pairs.found) / len(shown), len(pairs.found) / len(found)
    assert 2 * recall * precision / (recall + precision) > 0.90
    assert len(found) == pytest.approx(len(shown), rel=0.05)
    # pixels and map tell the same place
    px = open_raster(ORTHO).to_pixels(found / 100)
    np.testing.assert_allclose(px, crops(whole)[["x_px", "y_px"]].to_numpy(float), atol=1e-6)


@pytest.fixture(scope="module")
def large(tmp_path_factory):
    """The strip repeated, of three by three squares."""
    return mosaic_of(ORTHO, tmp_path_factory.mktemp("large") / "large.tif", 3500, 2700)


@pytest.fixture(scope="module")
def in_one(large):
    settings = Settings().replace("raster", tile_px=4096)
    return count_strip(open_raster(large, settings.raster), settings)


@pytest.mark.parametrize("tile_px", [256, 2048])
def test_seams_of_tiles_change_nothing(large, in_one, tile_px):
    """Squares are looked at on the raster's own grid: a find, its place and its area are the same in whichever tile."""
    settings = Settings().replace("raster", tile_px=tile_px)
    tiled = count_strip(open_raster(large, settings.raster), settings)
    assert tiled.pieces == {256: 9, 2048: 4}[tile_px] and in_one.pieces == 1
    side = square_px(in_one.measurement.site.mm_per_px)
    plants = in_one.cut.plants[["easting_m", "northing_m"]].to_numpy(float)
    at = in_one.measurement.site.mm_per_px / 1000
    px = np.abs(plants - np.array(in_one.measurement.site.bounds_m)[[0, 3]]) / at
    margin = np.ceil(settings.raster.margin_cm / 100 / at)
    # the seams do cut through plants
    assert (np.abs((px - margin + 6) % side - 6) < 6).any(axis=1).sum() > 10
    for name, frame in in_one.tables.items():
        pd.testing.assert_frame_equal(frame, tiled.tables[name], check_exact=True, obj=name)


def test_plots_and_treatments_reach_the_tables(truth):
    settings = Settings()
    raster = open_raster(ORTHO, settings.raster)
    plots = read_plots(OUTLINES, raster.crs_wkt, settings.plots, extent_of(raster))
    counted = count_strip(raster, settings, plots)
    table = counted.tables["plots"].set_index("plot")
    assert len(table) == 4 and (table["rows"] == 8).all()
    assert sorted(table["treatment"].unique()) == ["too deep", "usual depth"]
    by = table.groupby("treatment")["plants_per_ha"].mean()
    assert by["usual depth"] > 1.04 * by["too deep"]  # sown too deep, one seed in seven does not come up
    rows = counted.tables["rows"]
    assert {"strip_row", "pass", "row_unit", "treatment", "block"} <= set(rows)
    crop = crops(counted)
    assert crop.groupby(["plot", "row"]).size().sum() == rows["plants"].sum()


def test_row_units_are_labelled():
    settings = Settings().replace("planter", row_units=8).replace("passes", first_row=1)
    counted = count_strip(open_raster(ORTHO, settings.raster), settings)
    assert counted.tables["rows"]["row_unit"].tolist() == [str(n) for n in range(1, 9)]
    assert (counted.tables["rows"]["pass"] == 1).all()


def test_workers_and_a_broken_run_give_the_same(tmp_path):
    settings = Settings().replace("raster", tile_px=1024)
    raster = open_raster(ORTHO, settings.raster)
    alone = count_strip(raster, settings)

    class Killed(Exception):
        pass

    seen = []

    def end(found):
        seen.append(found)
        if len(seen) == 1:
            raise Killed

    with pytest.raises(Killed), WorkStore(tmp_path / "out") as store:
        count_strip(raster, settings, store=store, progress=Listener(end))
    with WorkStore(tmp_path / "out") as store:
        again = count_strip(raster, settings, store=store, workers=2)
    assert again.reused == 1 and again.pieces == alone.pieces
    for name, frame in alone.tables.items():
        assert frame.to_csv() == again.tables[name].to_csv(), name


def test_other_settings_look_again(tmp_path):
    settings = Settings().replace("raster", tile_px=2048)
    raster = open_raster(ORTHO, settings.raster)
    with WorkStore(tmp_path / "out") as store:
        first = count_strip(raster, settings, store=store)
    rows_only = settings.replace("spacing", nominal_spacing_cm=16.5)
    with WorkStore(tmp_path / "out") as store:
        assert count_strip(raster, rows_only, store=store).reused == first.pieces
        stems = settings.replace("strip_stems", lowest_probability=0.2)
        assert count_strip(raster, stems, store=store).reused == 0


def test_too_coarse_for_stems_tells_rows_and_bare_stretches(tmp_path):
    rasterio = pytest.importorskip("rasterio")
    coarse = tmp_path / "coarse.tif"
    with rasterio.open(ORTHO) as file:
        h, w = file.height // 3, file.width // 3
        a, _, c, _, e, f = file.transform[:6]
        data = file.read(out_shape=(3, h, w), resampling=rasterio.enums.Resampling.average)
        profile = file.profile | {
            "height": h, "width": w, "compress": "deflate", "photometric": "rgb",
            "transform": rasterio.Affine(a * file.width / w, 0, c, 0, e * file.height / h, f),
        }  # fmt: skip
        with rasterio.open(coarse, "w", **profile) as out:
            out.write(data)
    settings = Settings()
    raster = open_raster(coarse, settings.raster)
    assert not raster.stems_possible
    counted = count_strip(raster, settings)
    rows = counted.tables["rows"]
    assert len(rows) == 8 and (rows["status"] == "no_stems").all()
    assert rows["plants_per_ha"].isna().all() and rows["mean_gap_cm"].isna().all()
    assert rows["row_length_cm"].to_numpy() == pytest.approx(1258, abs=15)
    gaps = counted.tables["gaps"]
    assert len(gaps) and (gaps["kind"] == "bare").all() and (gaps["gap_cm"] > settings.maps.gap_cm).all()
    assert len(counted.tables["plants"]) == 0
    assert any("No plant was counted" in note for note in counted.notes)


def test_another_network_under_the_same_name_looks_again(tmp_path):
    import shutil
    from importlib.resources import files

    network = tmp_path / "own.onnx.gz"
    shutil.copy(str(files("standcam.plants") / "weights" / "strips.onnx.gz"), network)
    settings = Settings().replace("strip_stems", network=str(network)).replace("raster", tile_px=2048)
    raster = open_raster(ORTHO, settings.raster)
    with WorkStore(tmp_path / "out") as store:
        first = count_strip(raster, settings, store=store)
    with WorkStore(tmp_path / "out") as store:
        assert count_strip(raster, settings, store=store).reused == first.pieces
    network.write_bytes(network.read_bytes() + b"\0")  # bytes behind the end of a gzip stream change no weight
    with WorkStore(tmp_path / "out") as store:
        assert count_strip(raster, settings, store=store).reused == 0
