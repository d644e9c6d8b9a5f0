"""``standcam strip`` and the commands after it, on the demonstration strip: from mosaic to what a planter did."""

import json
import re
import shutil
import tomllib
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from PIL import Image
from shapely.geometry import shape
from typer.testing import CliRunner

from standcam.cli.app import app

STRIPS = Path(__file__).parents[2] / "demo-images" / "strips"
ORTHO, OUTLINES = STRIPS / "trial_strip.tif", STRIPS / "trial_strip_plots.geojson"
SCENE = tomllib.loads((STRIPS / "recipe.toml").read_text(encoding="utf-8"))["scene"][0]
PLANTER = ("--planter-rows", 8, "--first-row", 1, "--first-heading", "W")
"""The maker of the strip counts units from the south, so that its planter drove west with unit 1 at its left."""


def call(*words, code=0):
    done = CliRunner().invoke(app, [str(w) for w in words])
    assert done.exit_code == code, done.output
    return " ".join(done.output.split())


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    """Results with plots and row units, and what the call that made them said."""
    home = tmp_path_factory.mktemp("strip")
    told = call("strip", ORTHO, "--plots", OUTLINES, *PLANTER, "--geojson", "--workers", 1, "--out", home / "r")
    return home, told


def table(path):
    return pd.read_csv(path, dtype={"plot": str, "row_unit": str}, keep_default_na=True)


def test_a_strip_gives_all_that_a_folder_of_results_holds(desk):
    home, told = desk
    names = {p.name for p in (home / "r").iterdir()}
    assert {"plants.csv", "gaps.csv", "rows.csv", "plots.csv", "problems.csv", "run.json"} <= names
    assert {"strip.gpkg", "strip_map.png", "zone_population.tif", "zone_cv.tif", "report.html", "results.xlsx"} <= names
    assert {f"{Path(n).stem}.tif" for n in names if n.endswith(".qml")} == {"zone_population.tif", "zone_cv.tif"}
    rows = table(home / "r" / "rows.csv")
    assert len(rows) == 32 and set(rows["plot"]) == {"1", "2", "3", "4"}
    assert sorted(set(rows["row_unit"])) == [str(n) for n in range(1, 9)]
    assert "Results are in" in told and "aviation" in told
    run = json.loads((home / "r" / "run.json").read_text(encoding="utf-8"))
    assert run["command"] == "strip" and run["inputs"][0]["photo"] == ORTHO.name


def test_the_workbook_tells_what_the_columns_of_a_strip_are(desk):
    home, _ = desk
    book = openpyxl.load_workbook(home / "r" / "results.xlsx", read_only=True)
    told = {
        (sheet, name): (unit, meaning) for sheet, name, unit, meaning in book["columns"].iter_rows(values_only=True)
    }
    assert told["rows", "from_easting_m"] == ("m", "beginning of the stretch on the map")
    assert told["plants", "northing_m"][0] == "m" and "leftmost" in told["rows", "row_unit"][1]
    assert "outlines" in told["rows", "treatment"][1]
    head, *lines = book["rows"].iter_rows(values_only=True)
    units = [line[head.index("row_unit")] for line in lines]
    assert len(lines) == 32 and set(units) == {str(n) for n in range(1, 9)}


def test_layers_as_geojson_are_those_of_the_tables(desk):
    home, _ = desk
    plants = table(home / "r" / "plants.csv")
    rows = table(home / "r" / "rows.csv")
    for name, count in (("plants", len(plants)), ("rows", len(rows)), ("plots", 4)):
        layer = json.loads((home / "r" / f"{name}.geojson").read_text(encoding="utf-8"))
        # finds between plots are on the map too, with the reason why they do not count
        inside = [f for f in layer["features"] if not f["properties"].get("not_counted")]
        assert layer["type"] == "FeatureCollection" and len(inside) == count, name
    # RFC 7946, sections 3.1 and 4: longitude and latitude of WGS 84. EPSG:32615 is UTM zone 15: 96 to 90 degrees west
    plots = json.loads((home / "r" / "plots.geojson").read_text(encoding="utf-8"))
    lon, lat = shape(plots["features"][0]["geometry"]).centroid.coords[0]
    assert -96 < lon < -90 and 41 < lat < 43


def test_the_page_shows_the_map_and_points_on(desk):
    home, _ = desk
    page = (home / "r" / "report.html").read_text(encoding="utf-8")
    text = re.sub(r"<style>.*?</style>|<[^>]+>|data:image[^\"]*", " ", page, flags=re.DOTALL)
    text = " ".join(text.replace("\N{NO-BREAK SPACE}", " ").split())
    assert '<img class="map" src="data:image/jpeg' in page and "Plots on the map" in page
    assert "Treatments: too deep, usual depth." in text or "Treatments: usual depth, too deep." in text
    assert not re.search(r"[Pp]hoto|ground board", text)
    assert re.search(r"88 m², 5 mm a pixel, EPSG:32615", text)


def test_planter_and_trial_tell_what_the_strip_was_made_with(desk):
    home, _ = desk
    # by truth alone the worn unit misses most: what can be asked of the count
    truth = pd.read_csv(STRIPS / "truth.csv")
    standing = truth[truth["kind"] != "weed"].groupby("row_id").size()
    assert int(standing.idxmin()) + 1 == SCENE["strip"]["worn_unit"]
    call("planter", home / "r", "--nominal-cm", 16.5, "--out", home / "planter")
    units = pd.read_csv(home / "planter" / "units.csv", dtype={"row_unit": str}).set_index("row_unit")
    worn = str(SCENE["strip"]["worn_unit"])
    assert len(units) == 8 and units["missing_pct"].rank(ascending=False)[worn] <= 2
    # skipped, or not come up, or lost to depth in half of the plots
    come = (1 - SCENE["strip"]["worn_skip"]) * (1 - SCENE["planter"]["p_no_emergence"])
    missing = 100 * (1 - come * (1 - sum(SCENE["strip"]["treatment_loss"]) / 2))
    assert units.loc[worn, "missing_low_pct"] < missing < units.loc[worn, "missing_high_pct"]
    said = call("trial", home / "r", "--measure", "plants_per_ha", "--out", home / "trial")
    plots = table(home / "r" / "plots.csv").groupby("treatment")["plants_per_ha"].mean()
    lost = 1 - plots["too deep"] / plots["usual depth"]
    assert 0.03 < lost < 0.25  # made with 14 % less; two plots of each
    assert (
        "2 treatments in 4 plots" in said and "usual depth had" in said and "more plants per ha than too deep" in said
    )


def test_other_commands_take_it(desk):
    home, _ = desk
    assert "Yield at risk" in call("cost", home / "r", "--out", home / "cost")
    dates = ("--planted", "2031-05-01", "--replant-on", "2031-05-20", "--target-ha", 75_000)
    assert "over 4 plots" in call("replant", home / "r", *dates, "--out", home / "replant")
    before = (home / "r" / "report.html").read_text(encoding="utf-8")
    call("report", home / "r")
    again = (home / "r" / "report.html").read_text(encoding="utf-8")
    assert '<img class="map"' in again and len(again) == pytest.approx(len(before), rel=0.01)


def test_a_second_call_looks_at_no_tile_again(desk, tmp_path):
    home = tmp_path
    shutil.copytree(desk[0] / "r", home / "r")
    first = {p.name: p.read_bytes() for p in (home / "r").glob("*.csv")}
    told = call("strip", ORTHO, "--plots", OUTLINES, *PLANTER, "--no-report", "--out", home / "r", "--force")
    assert re.search(r"(\d+) of \1 tiles had been looked at before", told)
    assert {p.name: p.read_bytes() for p in (home / "r").glob("*.csv")} == first
    assert "already holds results" in call("strip", ORTHO, "--out", home / "r", code=2)


def test_without_plots_the_strip_is_one_and_says_how_to_go_on(tmp_path, desk):
    shutil.copytree(desk[0] / "r", tmp_path / "r")  # its tiles need no second look
    call("strip", ORTHO, "--tables", "none", "--workers", 1, "--out", tmp_path / "r", "--force")
    rows = table(tmp_path / "r" / "rows.csv")
    assert len(rows) == 8 and len(set(rows["plot"])) == 1
    page = (tmp_path / "r" / "report.html").read_text(encoding="utf-8")
    assert "the whole strip is one" in page and "--planter-rows" in page
    assert "--planter-rows and --first-row" in call("planter", tmp_path / "r", "--out", tmp_path / "planter")
    told = call("trial", tmp_path / "r", "--out", tmp_path / "trial", code=2)
    assert "No row has a treatment" in told and "outlines that have treatments" in told


def test_pixels_too_coarse_for_plants_are_never_an_empty_stand(tmp_path):
    import rasterio
    from rasterio.enums import Resampling

    from standcam import tables
    from standcam.strips.coarse import STATUS

    assert STATUS == tables.NO_STEMS
    with rasterio.open(ORTHO) as fine:
        size = (round(fine.height * 5 / 12), round(fine.width * 5 / 12))
        rgb = fine.read(out_shape=(fine.count, *size), resampling=Resampling.average)
        t = fine.transform
        place = rasterio.Affine(t.a * fine.width / size[1], 0, t.c, 0, t.e * fine.height / size[0], t.f)
        kind = {"count": fine.count, "height": size[0], "width": size[1], "dtype": rgb.dtype, "crs": fine.crs}
        with rasterio.open(tmp_path / "coarse.tif", "w", driver="GTiff", transform=place, **kind) as coarse:
            coarse.write(rgb)
    told = call("strip", tmp_path / "coarse.tif", "--plots", OUTLINES, *PLANTER, "--out", tmp_path / "r")
    assert "pixels too coarse for plants, so none was sought" in told
    assert not re.search(r"\b0 plants|\b0/ha|skips 100", told)
    page = (tmp_path / "r" / "report.html").read_text(encoding="utf-8")
    assert "the pixels are too coarse to tell plants" in page and "0 plants" not in page.split("What to know")[0]
    assert (tmp_path / "r" / "results.xlsx").exists()
    # a stand of nothing would have to be replanted
    dates = ("--planted", "2031-05-01", "--replant-on", "2031-05-20", "--target-ha", 75_000)
    for name, more in (("planter", ()), ("trial", ()), ("cost", ()), ("replant", dates)):
        said = call(name, tmp_path / "r", *more, "--out", tmp_path / name, code=2)
        assert "too coarse to find plants" in said and not (tmp_path / name).exists()


# ---- calls that cannot be done


def test_a_missing_file(tmp_path):
    assert "none.tif" in call("strip", tmp_path / "none.tif", "--out", tmp_path / "r", code=2)
    assert not (tmp_path / "r").exists()


def test_plots_and_grid_together(tmp_path):
    told = call("strip", ORTHO, "--plots", OUTLINES, "--grid", OUTLINES, "--out", tmp_path / "r", code=2)
    assert "--plots and --grid" in told and not (tmp_path / "r").exists()


def moved(path, east_m):
    """The outlines of the demonstration, so many metres to the east."""
    made = json.loads(OUTLINES.read_text(encoding="utf-8"))
    for feature in made["features"]:
        feature["geometry"]["coordinates"] = [
            [[x + east_m, y] for x, y in ring] for ring in feature["geometry"]["coordinates"]
        ]
    path.write_text(json.dumps(made), encoding="utf-8")
    return path


def test_plots_outside_of_the_picture(tmp_path):
    far = moved(tmp_path / "far.geojson", 5_000)
    told = call("strip", ORTHO, "--plots", far, "--workers", 1, "--out", tmp_path / "r", code=2)
    assert "far.geojson" in told or "outside" in told
    assert not (tmp_path / "r" / "rows.csv").exists()


def test_plots_outside_are_a_problem_and_the_rest_counts(tmp_path, desk):
    half = moved(tmp_path / "half.geojson", 6.6)  # plots 3 and 4 off the picture
    shutil.copytree(desk[0] / "r", tmp_path / "r")
    told = call("strip", ORTHO, "--plots", half, "--no-report", "--out", tmp_path / "r", "--force", code=1)
    problems = pd.read_csv(tmp_path / "r" / "problems.csv")
    assert list(problems["reason"]) == ["2 of 4 plots lie outside of the image: 3, 4."]
    assert "Not all could be used: 2 of 4 plots" in told
    assert set(table(tmp_path / "r" / "rows.csv")["plot"]) == {"1", "2"}


def test_a_picture_without_place_asks_for_its_scale(tmp_path):
    with Image.open(ORTHO) as picture:
        bare = np.array(picture.convert("RGB"))[:, :1200]
    Image.fromarray(bare).save(tmp_path / "bare.tif")
    told = call("strip", tmp_path / "bare.tif", "--out", tmp_path / "r", code=2)
    assert "--mm-per-px" in told and not (tmp_path / "r").exists()
    call("strip", tmp_path / "bare.tif", "--mm-per-px", 5, "--no-report", "--workers", 1, "--out", tmp_path / "r")
    rows = table(tmp_path / "r" / "rows.csv")
    assert len(rows) == 8 and rows["row_width_cm"].iloc[0] == pytest.approx(
        SCENE["crop"]["row_width_mm"] / 10, rel=0.03
    )
