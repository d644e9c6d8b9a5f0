from __future__ import annotations

import pandas as pd
import pytest

from standcam.errors import PlotMapMismatch
from standcam.stand.plotmap import join_plot_map, read_plot_map


def written(tmp_path, text):
    path = tmp_path / "plots.csv"
    path.write_text(text, encoding="utf-8")
    return path


def rows():
    return pd.DataFrame(
        {"photo": ["a.jpg", "a.jpg", "b.jpg"], "plot": ["p1", "p1", "p2"], "row": [1, 2, 1], "plants": [9, 8, 7]}
    )


def test_lines_tie_by_all_keys_they_fill(tmp_path):
    path = written(tmp_path, "plot;row;Unit;rep;speed_kmh\np1;;3;1;8\np1;2;4;1;8.5\np2;;5;2;9\n")
    plot_map = read_plot_map(path)
    joined, notes = join_plot_map(rows(), plot_map)
    assert joined["row_unit"].tolist() == ["3", "4", "5"]
    assert joined["block"].tolist() == ["1", "1", "2"]
    assert joined["speed_kmh"].tolist() == [8, 8.5, 9]
    assert joined["plants"].tolist() == [9, 8, 7]
    assert notes == []


def test_a_map_by_row_alone_holds_for_all_plots(tmp_path):
    joined, notes = join_plot_map(rows(), read_plot_map(written(tmp_path, "row,row_unit\n1,left\n2,right\n")))
    assert joined["row_unit"].tolist() == ["left", "right", "left"]
    assert notes == []


def test_what_does_not_fit_is_told(tmp_path):
    joined, notes = join_plot_map(rows(), read_plot_map(written(tmp_path, "plot,treatment\np1,slow\np9,fast\n")))
    assert joined["treatment"].tolist() == ["slow", "slow", ""]
    assert "1 of 3 rows are not in the plot map: photo b.jpg, plot p2, row 1." in notes[0]
    assert "1 of 2 lines of the plot map fit no row: plot p9." in notes[1]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty"),
        ("treatment,block\nslow,1\n", "no column photo, plot or row"),
        ("plot,treatment\np1,slow\np1,fast\n", r"line 3 repeats line 2 \(plot p1\)"),
        ("plot,row\np1,first\n", "line 2: row 'first' is no whole number"),
        ("plot,plot\np1,p2\n", "column 'plot' occurs twice"),
        ("plot,row\np1,1,5\n", "line 2 has 3 cells, the header 2"),
        ("plot,treatment\n,slow\n", "line 2 names no plot"),
        ("plot,treatment\n", "it has a header and no lines"),
        ("plot,plants\np1,9\n", "column 'plants' has the name of a measured one"),
        ("plot,,treatment\np1,,slow\n", "column 2 has no name"),
    ],
)
def test_mistakes_are_named(tmp_path, text, message):
    with pytest.raises(PlotMapMismatch, match=message):
        read_plot_map(written(tmp_path, text))


def test_what_spreadsheets_leave_behind_is_no_mistake(tmp_path):
    text = "\ufeffplot,row,treatment,,\np1,1.0,slow,,\n,,,,\np2,,fast,,\n,,,,\n"
    plot_map = read_plot_map(written(tmp_path, text))
    assert list(plot_map) == ["plot", "row", "treatment"]
    assert join_plot_map(rows(), plot_map)[0]["treatment"].tolist() == ["slow", "", "fast"]


def test_decimal_commas_where_semicolons_part(tmp_path):
    plot_map = read_plot_map(written(tmp_path, "plot;speed_kmh;treatment\np1;8,5;1,5 bar\np2;9;\n"))
    assert plot_map["speed_kmh"].tolist() == [8.5, 9.0]
    assert plot_map["treatment"].tolist() == ["1,5 bar", ""]


def test_a_number_missing_is_no_text(tmp_path):
    plot_map = read_plot_map(written(tmp_path, "plot,speed_kmh\np1,8\np2,\n"))
    assert plot_map["speed_kmh"][0] == 8 and pd.isna(plot_map["speed_kmh"][1])


def test_two_lines_that_fit_alike_are_told(tmp_path):
    plot_map = read_plot_map(written(tmp_path, "photo,plot,treatment\na.jpg,,slow\n,p1,fast\n,p2,fast\n"))
    joined, notes = join_plot_map(rows(), plot_map)
    assert joined["treatment"].tolist() == ["slow", "slow", "fast"]
    assert len(notes) == 1
    assert "Two lines of the plot map fit 2 of 3 rows equally well" in notes[0] and "plot p1, row 2" in notes[0]


def test_a_line_that_says_more_settles_it(tmp_path):
    text = "photo,plot,row,treatment\na.jpg,,,slow\n,p1,,fast\na.jpg,p1,,best\n,p2,,slow\n"
    joined, notes = join_plot_map(rows(), read_plot_map(written(tmp_path, text)))
    assert joined["treatment"].tolist() == ["best", "best", "slow"] and notes == []


def test_codes_stay_text(tmp_path):
    plot_map = read_plot_map(written(tmp_path, "plot,block,row_unit\np1,01,3\n"))
    assert plot_map.loc[0, ["block", "row_unit"]].tolist() == ["01", "3"]
