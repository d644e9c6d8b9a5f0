from __future__ import annotations

import pytest

from standcam.errors import BadSettings
from standcam.report.csv_tables import csv_text
from standcam.report.layout_report import lines, picture
from standcam.stand.layout import PLOT_MAP, LayoutSettings, draw_layout
from standcam.stand.plotmap import read_plot_map

THREE = ["disc A", "disc B", "disc C"]


def test_blocks_are_complete_and_neighbouring():
    plots = draw_layout(THREE, 4).plots
    assert len(plots) == 12
    for b, block in plots.groupby("block"):
        assert sorted(block["treatment"]) == THREE
        assert block["plot"].tolist() == [100 * b + i for i in (1, 2, 3)]
        assert block["strip"].tolist() == [3 * (b - 1) + i for i in (1, 2, 3)]


def test_the_seed_decides():
    first, again, other = (draw_layout(THREE, 4, LayoutSettings(seed=s)).plots for s in (1, 1, 2))
    assert first.equals(again) and not first.equals(other)


def test_every_order_comes_up():
    """A lot, not a pattern: in 120 drawings of one block each of the six orders comes about 20 times."""
    orders = [tuple(draw_layout(THREE, 1, LayoutSettings(seed=s)).plots["treatment"]) for s in range(120)]
    assert len(set(orders)) == 6 and all(8 <= orders.count(o) <= 35 for o in set(orders))


def test_it_is_a_plot_map(tmp_path):
    layout = draw_layout(["6", "8", "10"], 3, dose="speed_kmh")
    path = tmp_path / "plot-map.csv"
    path.write_text(csv_text(PLOT_MAP, layout.plots), encoding="utf-8")
    read = read_plot_map(path)
    assert read["plot"].tolist() == [str(p) for p in layout.plots["plot"]]
    assert read["treatment"].tolist() == layout.plots["treatment"].tolist()
    assert read["speed_kmh"].tolist() == layout.plots["speed_kmh"].tolist() == [float(t) for t in read["treatment"]]
    assert read["block"].tolist() == ["1"] * 3 + ["2"] * 3 + ["3"] * 3


def test_a_pass_a_strip_and_the_planter_turns():
    plots = draw_layout(["A", "B"], 4, LayoutSettings(planter_rows=8)).plots
    assert plots["planter_pass"].tolist() == [1, 2, 3, 4, 5, 6, 7, 8]
    assert plots["direction"].tolist() == ["out", "back"] * 4 and set(plots["row_units"]) == {"1-8"}
    # neither treatment always out: direction could not be told from treatment
    assert plots.groupby("treatment")["direction"].nunique().tolist() == [2, 2]
    one_way = draw_layout(["A", "B"], 4, LayoutSettings(planter_rows=8, one_way=True))
    assert set(one_way.plots["direction"]) == {"out"}


@pytest.mark.parametrize("seed", range(5))
def test_halves_of_a_planter(seed):
    plots = draw_layout(["A", "B"], 4, LayoutSettings(planter_rows=8, strip_rows=4, seed=seed)).plots
    assert plots["planter_pass"].tolist() == [1, 1, 2, 2, 3, 3, 4, 4]
    # the planter comes back the other way round: the field's left strip is its right half
    assert plots["row_units"].tolist() == ["1-4", "5-8", "5-8", "1-4"] * 2
    assert plots.groupby("treatment")["row_units"].nunique().tolist() == [2, 2]


@pytest.mark.parametrize("seed", range(5))
def test_no_treatment_at_one_place_in_all_blocks(seed):
    plots = draw_layout(THREE, 2, LayoutSettings(seed=seed, spread=True)).plots
    place = plots["plot"] % 100
    assert place.groupby(plots["treatment"]).nunique().min() == 2


def test_rows_to_count():
    assert draw_layout(THREE, 2, LayoutSettings(planter_rows=8)).plots["count_rows"][0] == "3-6"
    assert draw_layout(THREE, 2, LayoutSettings(planter_rows=4)).plots["count_rows"][0] == "2-3"
    assert draw_layout(THREE, 2, LayoutSettings(planter_rows=2)).plots["count_rows"][0] == "1-2"
    assert draw_layout(THREE, 2, LayoutSettings(planter_rows=3, side_rows=1)).plots["count_rows"][0] == "2"


def test_what_is_told():
    one = draw_layout(THREE, 1)
    assert any("nothing can be tested" in n for n in one.notes)
    two = draw_layout(THREE, 2)
    assert any("2 blocks leave 2 degrees of freedom" in n for n in two.notes)
    uneven = draw_layout(THREE, 3, LayoutSettings(planter_rows=8, strip_rows=4))
    assert any("last pass is not filled" in n for n in uneven.notes)
    told = " ".join(lines(draw_layout(THREE, 4, LayoutSettings(8, 4, 76.2)), "us"))
    for words in ("tramlines", "parked, shut down and blocked", "4 rows, 10 ft", "common practice", "Common practice"):
        assert words in told or words == "common practice"


@pytest.mark.parametrize(
    ("treatments", "blocks", "settings", "message"),
    [
        (["A"], 4, {}, "Name two or more"),
        (["A", "A"], 4, {}, "each once"),
        (["A", "B"], 0, {}, "0 blocks"),
        (["A", "B"], 4, {"planter_rows": 8, "strip_rows": 3}, "do not divide"),
        (["A", "B"], 4, {"planter_rows": 4, "side_rows": 2}, "leave nothing"),
        (["A", "B"], 4, {"row_width_cm": -1.0}, "row_width_cm is -1.0"),
    ],
)
def test_impossible_layouts(treatments, blocks, settings, message):
    with pytest.raises(BadSettings, match=message):
        draw_layout(treatments, blocks, LayoutSettings(**settings))


def test_doses_are_numbers():
    with pytest.raises(BadSettings, match="must be numbers, not 'slow', 'fast'"):
        draw_layout(["slow", "fast"], 4, dose="speed_kmh")
    with pytest.raises(BadSettings, match="'block' is a column"):
        draw_layout(["6", "8"], 4, dose="block")


@pytest.mark.parametrize("k", [2, 5])
def test_picture(k):
    data = picture(draw_layout([f"treatment {i}" for i in range(k)], 6))
    assert data[:4] == b"\x89PNG" and len(data) > 10_000
    assert data == picture(draw_layout([f"treatment {i}" for i in range(k)], 6))
