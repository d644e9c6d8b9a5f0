from __future__ import annotations

import pandas as pd
import pytest

from standcam.errors import BadSettings
from standcam.stand.harvest import BadHarvest, bushel_per_acre_kg_ha, join_harvest, read_harvest


def written(tmp_path, text):
    path = tmp_path / "harvest.csv"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("plot,yield_kg_ha\n101,11000\n", "kg/ha", 11000),
        ("Plot;Yield (t/ha)\n101;11,5\n", "t/ha", 11500),
        ("plot_id\tgrain yield [bu/ac]\n101\t180\n", "bu/ac", 180 * 62.77),
        ("plot,Yield bu/acre\n101,200\n", "bu/ac", 200 * 62.77),
    ],
)
def test_units_stand_in_the_heading(tmp_path, text, unit, expected):
    """1 bu/ac of maize is 62.77 kg/ha (as the trade converts Nielsen's slopes)."""
    harvest = read_harvest(written(tmp_path, text))
    assert harvest.unit == unit
    assert harvest.yields["yield_kg_ha"][0] == pytest.approx(expected, rel=1e-4)


def test_bushels_of_other_crops():
    assert bushel_per_acre_kg_ha("soybean") / bushel_per_acre_kg_ha("maize") == pytest.approx(60 / 56)
    with pytest.raises(BadSettings, match="bushel of sunflower"):
        bushel_per_acre_kg_ha("sunflower")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty"),
        ("strip,yield_t_ha\na,1\n", "no column plot"),
        ("plot,yield\n101,11\n", r"one yield column with its unit in the heading \(found: yield\)"),
        ("plot,yield_t_ha,yield_kg_ha\n101,11,11000\n", "one yield column"),
        ("plot,weight\n101,11\n", "found: none"),
        ("plot,yield_t_ha\n101,11\n101,12\n", "line 3 repeats plot 101 of line 2"),
        ("plot,yield_t_ha\n101,eleven\n102,-3\n", "line 2: yield 'eleven'.*; line 3: yield '-3'"),
        ("plot,yield_t_ha\n,11\n", "line 2 names no plot"),
        ("plot,yield_t_ha\n101,11,5\n", "line 2 has 3 cells.*decimal comma"),
        ("plot,yield_t_ha,moisture_pct\n101,11,95\n", "line 2: moisture '95'"),
    ],
)
def test_mistakes_are_named_by_line(tmp_path, text, message):
    with pytest.raises(BadHarvest, match=message):
        read_harvest(written(tmp_path, text))


def test_moisture(tmp_path):
    path = written(tmp_path, "plot,yield_t_ha,moisture %\n101,10,20\n102,10,15.5\n")
    dry = read_harvest(path, to_moisture_pct=15.5)
    assert dry.yields["yield_kg_ha"].tolist() == pytest.approx([10_000 * 80 / 84.5, 10_000])
    assert "brought to 15.5 % moisture" in dry.notes[0]
    wet = read_harvest(path)
    assert wet.yields["yield_kg_ha"].tolist() == [10_000, 10_000] and "--to-moisture" in wet.notes[0]
    with pytest.raises(BadHarvest, match="no column moisture_pct"):
        read_harvest(written(tmp_path, "plot,yield_t_ha\n101,10\n"), to_moisture_pct=15)
    with pytest.raises(BadHarvest, match="line 2 has no moisture"):
        read_harvest(written(tmp_path, "plot,yield_t_ha,moisture\n101,10,\n"), to_moisture_pct=15)


def test_what_does_not_fit_is_told(tmp_path):
    harvest = read_harvest(written(tmp_path, "plot,yield_t_ha\n101,10\n102,\n109,11\n"))
    plots = pd.DataFrame({"plot": ["101", "102"], "treatment": ["A", "B"]})
    joined, notes = join_harvest(plots, harvest)
    assert joined["yield_kg_ha"][0] == 10_000 and joined["yield_kg_ha"].isna().tolist() == [False, True]
    assert harvest.notes == ("No yield is given for plots 102.",)
    assert notes == ["1 of 2 plots have no yield: 102.", "1 lines of the harvest file fit no plot: 109 (line 4)."]


def test_halves_of_a_plot_need_their_own_yields(tmp_path):
    plots = pd.DataFrame({"plot": ["p1 A", "p1 B"], "treatment": ["A", "B"], "measured_plot": ["p1", "p1"]})
    with pytest.raises(BadHarvest, match=r"several plots \(line 2\)"):
        join_harvest(plots, read_harvest(written(tmp_path, "plot,yield_t_ha\np1,10\n")))
    both = read_harvest(written(tmp_path, "plot,treatment,yield_t_ha\np1,A,10\np1,B,11\n"))
    assert join_harvest(plots, both)[0]["yield_kg_ha"].tolist() == [10_000, 11_000]


def test_a_yield_that_looks_like_another_unit(tmp_path):
    notes = read_harvest(written(tmp_path, "plot,yield_kg_ha\n101,180\n102,190\n")).notes
    assert "is the heading's unit (kg/ha) right?" in notes[0]


def test_no_yields_at_all(tmp_path):
    harvest = read_harvest(written(tmp_path, "plot,yield_t_ha\n"))
    joined, notes = join_harvest(pd.DataFrame({"plot": ["101"], "treatment": ["A"]}), harvest)
    assert joined["yield_kg_ha"].isna().all() and len(notes) == 1
