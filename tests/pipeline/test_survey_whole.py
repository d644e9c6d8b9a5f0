"""A survey from new folder to report, by the commands that a person types: no step is left out or replaced."""

import csv
import json
import re
from pathlib import Path

import pandas as pd
import pytest
from PIL import Image
from typer.testing import CliRunner

from standcam.cli.app import app
from standcam.report.folder import read_results

DEMO = Path(__file__).parents[2] / "demo-images"
PLOTS = {
    "slow_1_board.jpg": ("N1", "slow", "1"),
    "fast_1_tilt.jpg": ("N2", "fast", "1"),
    "slow_3_straw.jpg": ("N3", "slow", "2"),
    "fast_2_shadow.jpg": ("N4", "fast", "2"),
}


def call(*arguments, code=0):
    done = CliRunner().invoke(app, [str(a) for a in arguments])
    assert done.exit_code == code, done.output
    return done.output


def small_copies(folder):
    """Photos of the demonstration at two thirds of their size, a minute and 20 m apart."""
    folder.mkdir()
    for k, name in enumerate(PLOTS):
        exif = Image.Exif()
        exif.get_ifd(0x8769)[0x9003] = f"2031:05:14 10:0{k}:00"
        exif.get_ifd(0x8825).update({1: "N", 2: (48.0, 30.0, 0.65 * k), 3: "E", 4: (9.0, 15.0, 0.0)})
        with Image.open(DEMO / name) as image:
            image.resize((1334, 1000), Image.Resampling.BOX).save(folder / name, quality=92, exif=exif)


def fill_in(path):
    """What a person does in a spreadsheet: a plot behind each photo, and a line for each plot."""
    text = path.read_text(encoding="utf-8")
    notes = [line for line in text.splitlines() if line.startswith("#")]
    lines = list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))
    assert {line["photo"] for line in lines} == set(PLOTS)
    for line in lines:
        assert line["taken"].startswith("2031-05-14 10:0") and float(line["latitude"]) == pytest.approx(48.5, abs=1e-3)
        line["plot"] = PLOTS[line["photo"]][0]
    lines += [{"plot": plot, "treatment": treatment, "block": block} for plot, treatment, block in PLOTS.values()]
    with open(path, "w", encoding="utf-8", newline="") as file:
        file.write("".join(f"{note}\n" for note in notes))
        writer = csv.DictWriter(file, list(lines[0]), restval="")
        writer.writeheader()
        writer.writerows(lines)


def test_from_new_folder_to_report(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    small_copies(tmp_path / "day1")
    said = call("survey", "new", "day1", "--row-width-cm", 76, "--nominal-cm", 16.5)
    assert "plots.csv was written with 4 lines" in said
    # nothing is filled in yet, and the check says so for every photo
    assert "4 x photo without plot" in call("survey", "check", "day1", code=1)
    fill_in(tmp_path / "day1" / "plots.csv")
    said = call("survey", "check", "day1")
    assert "4 of 4 photos are tied to 4 plots (4 by plots.csv)" in said and "All fits" in said

    call("count", "day1", "--workers", 1, "--no-report", "--out", "results")
    rows = pd.read_csv("results/rows.csv", dtype={"block": str})
    plots = pd.read_csv("results/plots.csv", dtype={"block": str})
    assert set(rows["photo"]) == set(PLOTS)
    for row in rows.itertuples():
        assert (row.plot, row.treatment, row.block) == PLOTS[row.photo]
    assert list(zip(plots["plot"], plots["treatment"], plots["block"], strict=True)) == [
        tuple(PLOTS[photo]) for photo in rows["photo"].drop_duplicates()
    ]
    assert set(rows["visit"]) == {"2031-05-14"}
    assert (rows["nominal_spacing_cm"] == 16.5).all()
    pooled = rows[rows["left_out"].isna()].groupby("plot")[["plants", "row_length_cm"]].sum()
    for plot in plots.itertuples():
        assert plot.plants == pooled.loc[plot.plot, "plants"]
        # plants per ha by hand: plants on length x 76 cm
        area_cm2 = pooled.loc[plot.plot, "row_length_cm"] * 76
        assert plot.plants_per_ha == pytest.approx(plot.plants / area_cm2 * 1e8, rel=1e-3)

    # outside check: stems of row 0 by truth.csv of the demonstration, within the stretches that were measured
    truth = pd.read_csv(DEMO / "truth.csv")
    truth = truth[(truth["kind"] == "crop") & (truth["row_id"] == 0) & (truth["base_visible"] == 1)]
    first = rows[rows["row"] == 1].set_index("photo")
    for photo, row in first.iterrows():
        x = (truth.loc[truth["image"] == photo, "x_px"] + 0.5) * 1334 / 2000 - 0.5
        low, high = sorted((row["from_x_px"], row["to_x_px"]))
        assert abs(row["plants"] - x.between(low, high).sum()) <= 2, photo

    assert not (tmp_path / "results" / "report.html").exists()
    call("report", "results")
    page = (tmp_path / "results" / "report.html").read_text(encoding="utf-8")
    words = re.sub(r"<[^>]*>", " ", page)
    assert all(plot in words for plot, _, _ in PLOTS.values())
    assert "Plots by GPS" in page  # run.json knows where the photos were taken
    record = json.loads((tmp_path / "results" / "run.json").read_text(encoding="utf-8"))
    assert [round(i["latitude"], 4) for i in sorted(record["inputs"], key=lambda i: i["taken"])] == [
        48.5, 48.5002, 48.5004, 48.5005
    ]  # fmt: skip
    assert {i["scale_method"] for i in record["inputs"]} == {"board"}
    assert list(read_results("results").rows["treatment"]) == list(rows["treatment"])
