"""Tables of yield by stand and date: reading, between cells, beyond them, and a user's own."""

import datetime as dt
import math

import numpy as np
import pytest

from standcam import units
from standcam.stand import response_tables as rt
from standcam.stand.response_tables import BadResponseTable, published_tables, read_own_table

HEAD = "stand_per_ha,04-20,05-10/05-20,06-01\n"


def own(tmp_path, text, crop="maize"):
    path = tmp_path / "mine.csv"
    path.write_text(text, encoding="utf-8")
    return read_own_table(path, crop)


def d(month, day, year=2026):
    return dt.date(year, month, day)


@pytest.fixture
def small(tmp_path):
    return own(tmp_path, HEAD + "40000,70,60,30\n60000-80000,100,90,50\n")


def test_between_cells_it_is_linear_along_both_axes(small):
    assert small.at(50_000, d(4, 20)).percent == pytest.approx(85)
    assert small.at(40_000, d(4, 30)).percent == pytest.approx(65)  # ten of twenty days
    assert small.at(50_000, d(4, 30)).percent == pytest.approx((70 + 100 + 60 + 90) / 4)


def test_a_window_and_a_range_hold_all_over(small):
    assert {small.at(s, d(5, day)).percent for s in (60_000, 70_000, 80_000) for day in (10, 15, 20)} == {90.0}
    assert small.at(60_000, d(5, 26)).percent == pytest.approx(90 - 40 * 6 / 12)


@pytest.mark.parametrize(
    ("stand", "date", "why", "limit"),
    [
        (39_999, d(5, 1), rt.BELOW, 40_000.0),
        (80_001, d(5, 1), rt.ABOVE, 80_000.0),
        (50_000, d(4, 19), rt.BEFORE, d(4, 20, 2001)),
        (50_000, d(6, 2), rt.AFTER, d(6, 1, 2001)),
        (math.nan, d(5, 1), rt.UNREAD, None),
    ],
)
def test_beyond_the_cells_there_is_no_value_but_a_word(small, stand, date, why, limit):
    reading = small.at(stand, date)
    assert math.isnan(reading.percent) and (reading.why, reading.limit, reading.held) == (why, limit, "")


def test_held_at_the_edge_only_when_asked_and_said(small):
    reading = small.at(20_000, d(6, 20), hold_edge=True)
    assert reading.percent == 30 and reading.held == f"{rt.BELOW}, {rt.AFTER}" and reading.why == ""
    assert small.at(50_000, d(5, 1), hold_edge=True).held == ""


def test_an_empty_cell_is_no_number_where_it_has_weight(tmp_path):
    t = own(tmp_path, HEAD + "40000,70,,30\n60000,100,90,50\n")
    assert math.isnan(t.at(50_000, d(5, 1)).percent) and t.at(50_000, d(5, 1)).why == rt.UNREAD
    assert t.at(60_000, d(5, 1)).percent == pytest.approx(100 - 10 * 11 / 20)
    assert t.at(50_000, d(4, 20)).percent == pytest.approx(85)


def test_a_range_of_stands_looks_at_the_peak_within(tmp_path):
    t = own(tmp_path, "stand per ha,05-01\n40000,80\n60000,100\n80000,70\n")
    assert t.over(50_000, 70_000, d(5, 1)) == (85.0, 100.0, False)
    assert t.over(30_000, 50_000, d(5, 1)) == (80.0, 90.0, True)
    assert t.over(70_000, 90_000, d(5, 1)) == (70.0, 85.0, True)
    assert all(math.isnan(x) for x in t.over(10_000, 20_000, d(5, 1))[:2])
    assert t.over(10_000, 50_000, d(5, 1), hold_edge=True) == (80.0, 90.0, False)
    assert t.best(d(5, 1)) == (60_000.0, 100.0)


def test_a_season_over_new_year(tmp_path):
    t = own(tmp_path, "stand_per_ha,10-15,12-15,01-14\n40000,100,80,50\n60000,100,80,50\n")
    assert t.at(50_000, d(12, 30)).percent == pytest.approx(65)
    assert t.at(50_000, d(1, 14, 2027)).percent == pytest.approx(50)
    assert t.at(50_000, d(2, 1, 2027)).why == rt.AFTER
    assert t.at(50_000, d(9, 1)).why == rt.BEFORE


def test_leap_day_is_the_28th(tmp_path):
    t = own(tmp_path, "stand_per_ha,02-20,03-10\n40000,100,82\n60000,100,82\n")
    assert t.at(50_000, d(2, 29, 2028)).percent == t.at(50_000, d(2, 28)).percent == pytest.approx(92)


@pytest.mark.parametrize(
    ("heading", "factor"),
    [
        ("stand_per_ha", 1.0), ("plants/ha", 1.0), ("Stand (per hectare)", 1.0),
        ("stand_per_acre", units.ACRES_PER_HA), ("plants/ac", units.ACRES_PER_HA),
    ],
)  # fmt: skip
def test_the_heading_names_the_unit(tmp_path, heading, factor):
    t = own(tmp_path, f"{heading},05-01\n20000,80\n30000,100\n")
    assert t.stand_per_ha == pytest.approx(np.array([20_000, 30_000]) * factor)


def test_semicolons_decimal_commas_and_any_order_of_stands(tmp_path):
    t = own(tmp_path, "# my fields\nstand_per_ha;05-01;05-20\n60000;100;92,5\n40000;80;70\n")
    assert list(t.stand_per_ha) == [40_000, 60_000] and t.at(60_000, d(5, 20)).percent == 92.5


def test_a_day_that_two_windows_share_belongs_to_the_earlier():
    (t,) = published_tables("maize", ["iowa_2010"])
    stand = units.per_ha(30_000)
    assert [t.at(stand, d(5, day)).percent for day in (5, 6, 15, 16)] == [99, 95, 95, 86]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "holds no stand"),
        ("stand_per_ha,05-01\n", "holds no stand"),
        ("stand,05-01\n1000,90\n", "'stand' does not say whether stands are per ha or per acre"),
        ("stand_per_ha\n1000\n", "there is no column with a date"),
        ("stand_per_ha,May 1\n1000,90\n", "'May 1' is no date MM-DD"),
        ("stand_per_ha,05-20,05-01\n1000,90,80\n", "'05-01' does not follow the date before it"),
        ("stand_per_ha,05-01\nmany,90\n", "line 2: stand 'many' is no number"),
        ("stand_per_ha,05-01\n1000,180\n", "line 2, 05-01: '180' is no percent from 0 to 150"),
        ("stand_per_ha,05-01\n1000,90,80\n", "line 2 has 3 cells, the header 2"),
        ("stand_per_ha,05-01\n1000-3000,90\n2000,80\n", "stands 1000-3000 and 2000 overlap"),
        ("stand_per_ha,05-01\n1000,\n", "has no percents"),
        ("stand_per_ha,05-01,02-30\n1000,90,80\n", "'02-30' is no date"),
    ],
)
def test_mistakes_are_named(tmp_path, text, message):
    with pytest.raises(BadResponseTable, match=message.replace("(", r"\(")):
        own(tmp_path, text)


def test_all_mistakes_in_one_message(tmp_path):
    with pytest.raises(BadResponseTable) as error:
        own(tmp_path, "stand,05-01\nx,90\n1000,200\n")
    assert "does not say" in error.value.reason and "line 2" in error.value.reason and "line 3" in error.value.reason


def test_a_file_that_is_not_there():
    with pytest.raises(BadResponseTable, match=r"none\.csv cannot be read"):
        read_own_table("none.csv", "maize")


def test_published_tables_are_whole_and_say_where_they_come_from():
    for crop in rt.CROPS:
        for t in published_tables(crop):
            assert t.crop == crop and t.source and t.mark in ("seen", "partial", "joined") and t.region
            assert t.percent.shape == (len(t.stand_per_ha), len(t.day))
            assert (np.diff(t.stand_per_ha) > 0).all() and (np.diff(t.day) > 0).all()
            assert np.nanmin(t.percent) >= 0 and np.nanmax(t.percent) <= 100
            # partial tables say so, whole ones have all cells
            assert t.mark == "partial" or not np.isnan(t.percent).any()
    with pytest.raises(BadResponseTable, match="no maize table named ohio"):
        published_tables("maize", ["ohio"])
    with pytest.raises(BadResponseTable, match="'wheat'"):
        published_tables("wheat")


def test_the_source_itself_extrapolated():
    (t,) = published_tables("maize", ["purdue"])
    assert not t.extrapolated(d(5, 25)) and t.extrapolated(d(5, 26))
    assert t.lowest_yield_kg_ha == pytest.approx(125 * 62.77, rel=1e-4)
    assert not published_tables("maize", ["iowa_2001"])[0].extrapolated(d(6, 20))
