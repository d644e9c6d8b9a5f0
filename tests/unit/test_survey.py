"""Surveys: the template, plots.csv, each way of tying, precedence, and every mismatch."""

import json
import re
import tomllib

import cv2
import numpy as np
import pandas as pd
import pytest
from PIL import Image
from typer.testing import CliRunner

from standcam.batch.inputs import find_inputs
from standcam.cli.app import app
from standcam.errors import BadSettings, UnwritableResults
from standcam.report.results import check_out
from standcam.settings import Settings
from standcam.settings_file import read_settings, settings_from_dict
from standcam.survey import template
from standcam.survey.marks import label_dictionary, labels_in
from standcam.survey.names import name_pattern
from standcam.survey.plot_list import appended, lines_text, read_plot_list
from standcam.survey.tie import tie_photos
from standcam.survey.tied import KINDS


def photo(path, taken=None, offset=None, place=None, picture=None):
    path.parent.mkdir(parents=True, exist_ok=True)
    image = Image.fromarray(np.full((24, 32, 3), 90, np.uint8) if picture is None else picture)
    exif = Image.Exif()
    if taken:
        exif.get_ifd(0x8769)[0x9003] = taken
        if offset:
            exif.get_ifd(0x8769)[0x9011] = offset
    if place:
        lon, lat = place
        gps = exif.get_ifd(0x8825)
        gps.update({1: "N" if lat >= 0 else "S", 2: (abs(lat), 0.0, 0.0), 3: "E" if lon >= 0 else "W"})
        gps[4] = (abs(lon), 0.0, 0.0)
    image.save(path, exif=exif)
    return path


def plots(folder, text):
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "plots.csv").write_text(text, encoding="utf-8")


def tied(folder, **ties):
    settings = settings_from_dict({"ties": ties})
    return tie_photos(folder, find_inputs([folder])[0], settings)


def kinds(found):
    return sorted(found.mismatches["kind"])


def test_template_is_the_defaults(tmp_path):
    for everything in (False, True):
        path = tmp_path / "survey.toml"
        path.write_text(template.survey_text(everything=everything), encoding="utf-8")
        assert read_settings(path) == Settings()


def test_every_line_of_the_template_can_be_put_in_force():
    lines = template.survey_text(everything=True).splitlines()
    live = [line.removeprefix("# ") for line in lines if line.startswith("[") or re.match(r"# [a-z_0-9]+ = ", line)]
    data = tomllib.loads("\n".join(live))
    default = Settings().to_dict()
    examples = {(s, n) for s, n in template.EXAMPLES}
    assert set(data) == set(default)
    for stage, values in data.items():
        assert set(values) == set(default[stage])
        for name, value in values.items():
            value = tuple(value) if isinstance(value, list) else value
            assert value == template.EXAMPLES.get((stage, name), default[stage][name]), (stage, name)
    assert examples == {(s, n) for s, v in default.items() for n, value in v.items() if value is None}
    settings_from_dict(data)


@pytest.mark.parametrize(
    ("pattern", "path", "told"),
    [
        ("{plot}_{plot_row}_*.jpg", "d/101_2_x.JPG", {"plot": "101", "plot_row": "2"}),
        ("{visit}/{plot}.jpg", "a/day 1/north-3.jpg", {"visit": "day 1", "plot": "north-3"}),
        ("{plot}_*.jpg", "nounderscore.jpg", None),
        (r".*/?(?P<plot>[A-Z]\d+)u(?P<row_unit>\d)\.png", "x/B12u3.png", {"plot": "B12", "row_unit": "3"}),
    ],
)
def test_names(pattern, path, told):
    assert name_pattern(pattern).read(path) == told


@pytest.mark.parametrize(
    "pattern", ["{row}_*.jpg", "{plat}.jpg", "{plot}{block}.jpg", "{plot}_{plot}", "*.jpg", "(?P<plot>"]
)
def test_bad_patterns(pattern):
    with pytest.raises(BadSettings):
        name_pattern(pattern)


def test_odd_cells_survive(tmp_path):
    names = ['a b, "c".jpg', "=1+1.jpg", "#1.jpg", "grün 小.jpg", "-x.jpg"]
    for name in names:
        photo(tmp_path / name)
    lines = [{"photo": name, "plot": f'@{n},"q"'} for n, name in enumerate(names)]
    plots(tmp_path, lines_text(lines))
    assert not any(line[0] in "=+-@" for line in (tmp_path / "plots.csv").read_text().splitlines())
    found = tied(tmp_path)
    assert kinds(found) == []
    got = dict(zip(found.ties["photo"], found.ties["plot"], strict=True))
    assert got == {name: f'@{n},"q"' for n, name in enumerate(names)}


def test_appending_keeps_what_is_there(tmp_path):
    text = "Photo;plot;mine\na.jpg;7;x"
    out = appended(text, [{"photo": "b.jpg", "visit": "v"}])
    assert out == text + "\nb.jpg;;\n"
    plots(tmp_path, out)
    assert list(read_plot_list(tmp_path / "plots.csv").lines["photo"]) == ["a.jpg", "b.jpg"]


def test_precedence_and_contradictions(tmp_path):
    photo(tmp_path / "101_a.jpg", "2026:05:20 09:15:00")
    plots(
        tmp_path,
        "photo,plot,time_from,time_to\n,101,,\n,102,,\n,103,2026-05-20 09:00,2026-05-20 10:00\n101_a.jpg,102,,\n",
    )
    found = tied(tmp_path, file_name="{plot}_*.jpg")
    assert list(found.ties[["plot", "tied_by"]].iloc[0]) == ["102", "plots_csv"]
    assert kinds(found) == ["contradiction"] * 2 + ["plot_without_photo"] * 2
    found = tied(tmp_path, file_name="{plot}_*.jpg", order=["time", "file_name"])
    assert list(found.ties[["plot", "tied_by"]].iloc[0]) == ["103", "time"]


def test_windows_zones_and_missing_times(tmp_path):
    photo(tmp_path / "a.jpg", "2026:05:20 09:59:59", "+02:00")
    photo(tmp_path / "b.jpg", "2026:05:20 10:00:00")
    photo(tmp_path / "c.jpg")
    plots(
        tmp_path, "plot,time_from,time_to\n1,2026-05-20 09:00,2026-05-20 10:00\n2,2026-05-20 10:00,2026-05-20 11:00\n"
    )
    found = tied(tmp_path)
    assert list(found.ties["plot"]) == ["1", "2", "c"]
    assert kinds(found) == ["no_time", "photo_without_plot"]
    assert tied(tmp_path, clock_ahead_s=1).ties["plot"][1] == "1"
    plots(tmp_path, "plot,time_from,time_to\n1,2026-05-20 07:30Z,2026-05-20 08:30Z\n")
    assert list(tied(tmp_path).ties["plot"]) == ["1", "b", "c"]
    assert list(tied(tmp_path, camera_utc_offset="+02:00").ties["plot"]) == ["1", "1", "c"]
    plots(
        tmp_path,
        "plot,time_from,time_to\n1,2026-05-20 09:00,2026-05-20 10:30\n2,2026-05-20 09:30,2026-05-20 11:00\n3,x,y\n",
    )
    assert {"times_overlap", "two_windows", "wrong_line"} <= set(kinds(tied(tmp_path)))


def test_places(tmp_path):
    def square(lon, side=0.001):
        return [[[lon, 10], [lon + side, 10], [lon + side, 10.001], [lon, 10.001], [lon, 10]]]

    features = [
        {"properties": {"plot": name, "treatment": "t"}, "geometry": {"type": "Polygon", "coordinates": square(lon)}}
        for name, lon in (("A", 20.0), ("B", 20.001))
    ]
    (tmp_path / "p.json").write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    photo(tmp_path / "1.jpg", place=(20.0005, 10.0005))
    photo(tmp_path / "2.jpg", place=(20.00101, 10.0005))  # 1.1 m into B
    photo(tmp_path / "3.jpg", place=(20.003, 10.0005))
    found = tied(tmp_path, plot_areas=str(tmp_path / "p.json"))
    assert list(found.ties["plot"]) == ["A", "B", "3"]
    assert kinds(found) == ["photo_without_plot", "place_unsure"]
    assert list(found.ties["treatment"]) == ["t", "t", ""]


def marker(number, n=120):
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)
    tile = cv2.copyMakeBorder(
        cv2.aruco.generateImageMarker(family, number, n), 30, 30, 30, 30, cv2.BORDER_CONSTANT, value=255
    )
    return np.repeat(tile[..., None], 3, 2)


def on_soil(*numbers):
    """Markers side by side on a rough ground: a flat one would be taken for a screenshot."""
    ground = np.random.default_rng(1).integers(80, 130, (360, 600, 3), dtype=np.uint8)
    for k, number in enumerate(numbers):
        ground[90:270, 60 + 240 * k : 240 + 240 * k] = marker(number)
    return ground


def test_labels(tmp_path):
    photo(tmp_path / "a.png", picture=on_soil(17))
    photo(tmp_path / "b.png", picture=on_soil(17, 18))
    photo(tmp_path / "c.png", picture=on_soil(99))
    plots(tmp_path, "plot,row_unit,label\nN1,3,17\nN2,4,18\n")
    found = tied(tmp_path)
    assert list(found.ties["plot"]) == ["N1", "b", "c"]
    assert found.ties["row_unit"][0] == "3"
    assert {"label_twice", "label_not_listed", "plot_without_photo"} <= set(kinds(found))
    plots(tmp_path, "plot,label\nN1,17\nN2,17\n")
    assert "label_twice" in kinds(tied(tmp_path)) and tied(tmp_path).ties["tied_by"][0] == ""


def test_codes_are_read():
    code = cv2.QRCodeEncoder.create().encode("north 3, ü")
    code = cv2.copyMakeBorder(cv2.resize(code, None, fx=8, fy=8, interpolation=0), 60, 60, 60, 60, 0, value=255)
    rgb = np.repeat(code[..., None], 3, 2)
    assert labels_in(rgb, ["qr"], "DICT_5X5_250").texts == ("north 3, ü",)


def test_label_family_is_not_the_boards():
    label_dictionary("DICT_5X5_250")
    with pytest.raises(BadSettings, match="ground boards"):
        label_dictionary("DICT_4X4_250")


def test_mismatches_of_lines(tmp_path):
    photo(tmp_path / "x" / "a.jpg")
    photo(tmp_path / "y" / "a.jpg")
    photo(tmp_path / "b.jpg")
    plots(tmp_path, "photo,plot,row_unit\na.jpg,1,\nb.jpg,2,\nb.jpg,3,\ngone.jpg,4,\n,5,\n,5,\n")
    found = tied(tmp_path)
    assert {"name_of_several", "photo_twice", "line_without_photo", "plot_without_photo", "wrong_line"} <= set(
        kinds(found)
    )
    assert set(kinds(found)) <= set(KINDS)
    assert (found.ties["tied_by"] == "").all()


def test_neighbour_rows_have_no_unit_unless_told(tmp_path):
    photo(tmp_path / "a.jpg")
    plots(tmp_path, "photo,row,plot,row_unit,treatment,cost\na.jpg,,1,4,T,2.5\na.jpg,3,,6,,\n")
    from standcam.stand.plotmap import join_plot_map

    rows = pd.DataFrame({"photo": "a.jpg", "plot": "1", "row": [1, 2, 3]})
    out = join_plot_map(rows, tied(tmp_path).design)[0]
    assert list(out["row_unit"]) == ["4", "", "6"]
    assert list(out["treatment"]) == ["T"] * 3 and list(out["cost"]) == [2.5] * 3


def test_new_and_check(tmp_path):
    runner = CliRunner()
    photo(tmp_path / "s" / "1.jpg", "2026:05:20 09:15:00", "+02:00", (20.0, -10.0))
    folder = tmp_path / "s"
    assert runner.invoke(app, ["survey", "new", str(folder), "--row-width-cm", "76"]).exit_code == 0
    assert read_settings(folder / "survey.toml").spacing.row_width_cm == 76
    line = read_plot_list(folder / "plots.csv").lines.iloc[0]
    assert (line["visit"], line["taken"]) == ("2026-05-20", "2026-05-20 09:15:00+02:00")
    assert (float(line["longitude"]), float(line["latitude"])) == (20.0, -10.0)
    before = (folder / "plots.csv").read_bytes(), (folder / "survey.toml").read_bytes()
    photo(folder / "2.jpg")
    assert runner.invoke(app, ["survey", "new", str(folder)]).exit_code == 0
    assert before == ((folder / "plots.csv").read_bytes(), (folder / "survey.toml").read_bytes())
    assert runner.invoke(app, ["survey", "new", str(folder), "--add-photos"]).exit_code == 0
    assert (folder / "plots.csv").read_bytes().startswith(before[0])
    assert list(read_plot_list(folder / "plots.csv").lines["photo"]) == ["1.jpg", "2.jpg"]
    result = runner.invoke(app, ["survey", "check", str(folder)])
    assert result.exit_code == 1 and "2 x photo without plot" in result.output


def test_results_never_replace_a_survey(tmp_path):
    (tmp_path / "survey.toml").touch()
    plots(tmp_path, "photo,plot\n")
    with pytest.raises(UnwritableResults, match="survey"):
        check_out(tmp_path, force=True)
