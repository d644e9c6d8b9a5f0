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
    ],
)
def test_mistakes_are_named(tmp_path, text, message):
    with pytest.raises(PlotMapMismatch, match=message):
        read_plot_map(written(tmp_path, text))
