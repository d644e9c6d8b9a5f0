from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from fixtures.planter_rows import S, planter_rows, stretch_of, tables_of

from standcam import tables
from standcam.errors import TooFewData
from standcam.estimate import Estimate
from standcam.planter.diagnosis import diagnose
from standcam.settings import Settings


def signs(d):
    return {s.name for s in d.signs}


def test_one_bad_unit():
    gaps, rows = planter_rows(np.random.default_rng(11), units=4, rows=2, places=50, bad={2: {"skip": 0.3}})
    d = diagnose(gaps, rows)
    assert d.units.worse("missing") == ["2"] and set(d.unit_fits) == {"1", "2", "3", "4"}
    assert d.nominal_cm == S and d.rows == 8
    assert [i.cause.name.split(" ")[0] for i in d.items[:2]] == ["Seed", "The"]  # dig, then the meter of that unit
    assert all("unit 2" in i.evidence[0] for i in d.items[:2])
    line = d.units.table.set_index("row_unit").loc["2"]
    assert line["missing_low_pct"] < 30 < line["missing_high_pct"]
    # the pooled share is the mean of the units, weighted by their places
    assert d.fit.skip_share.value == pytest.approx((3 * 0.06 + 0.3) / 4, abs=0.04)


def test_without_units_the_rows_are_pooled_and_it_is_said():
    gaps, rows = planter_rows(np.random.default_rng(1), units=3, rows=1, places=50)
    d = diagnose(gaps, rows.drop(columns="row_unit"))
    assert d.units is None and any("Row units are not known" in n for n in d.notes)


def test_treatments_taken_together_are_told_of():
    gaps, rows = planter_rows(np.random.default_rng(1), units=1, rows=2, places=50)
    told = diagnose(gaps, rows.assign(treatment=["slow", "fast"]))
    assert any("Rows of 2 treatments" in n for n in told.notes)
    assert not any("treatments" in n for n in diagnose(gaps, rows.assign(treatment="slow")).notes)


def test_scatter_and_speed():
    gaps, rows = planter_rows(np.random.default_rng(2), units=1, rows=3, places=60, sd=3.4, skip=0.02, double=0.01)
    slow = diagnose(gaps, rows, Settings().replace("planter", speed_kmh=6.0))
    fast = diagnose(gaps, rows, Settings().replace("planter", speed_kmh=9.5, cells_per_disc=30))
    assert "scatter" in signs(slow) and "fast" not in signs(slow) and "fast" in signs(fast)
    assert slow.precision.value == pytest.approx(np.sqrt(2) * 3.4 / S, rel=0.12)
    assert "ms of early or late" in next(s.evidence for s in fast.signs if s.name == "scatter")
    assert fast.rate.seeds_per_second == pytest.approx(9.5e5 / 3600 / S)


def test_dig_count_decides():
    gaps, rows = planter_rows(np.random.default_rng(3), units=1, rows=4, places=60, skip=0.16)
    undecided = diagnose(gaps, rows)
    seed = diagnose(gaps, rows, dug=30, seed_found=28)
    meter = diagnose(gaps, rows, dug=30, seed_found=2)
    # spacing alone points to no part: all but digging is only possible
    assert {"missing", "undecided"} <= signs(undecided)
    assert [i.cause.name for i in undecided.items if i.sure] == ["Seed in the gaps or not: dig"]
    assert "failed" in signs(seed) and not {"missing", "undecided", "meter_skips"} & signs(seed)
    assert "meter_skips" in signs(meter) and not {"missing", "failed"} & signs(meter)
    assert seed.items[0].cause.group == "seed" and meter.items[0].cause.group == "meter"


def test_spacing_off_what_was_set():
    at = S * 1.08 * (np.arange(60) + 0.5)
    rng = np.random.default_rng(4)
    made = [stretch_of(list(at + rng.normal(0, 1.2, 60)), 60 * S * 1.08, r) for r in (1, 2, 3)]
    d = diagnose(*tables_of(made))
    assert "rate" in signs(d)
    assert d.items[0].cause.name.startswith("Drive ratio") and "too wide by 8 %" in d.items[0].evidence[0]


def test_a_good_planter_gets_no_list():
    listed = 0
    for seed in range(4):
        rng = np.random.default_rng(seed)
        gaps, rows = planter_rows(rng, units=1, rows=4, places=50, skip=0.03, double=0.01, sd=1.2)
        d = diagnose(gaps, rows)
        assert not any(item.sure for item in d.items)
        listed += bool(d.items)
    assert listed <= 1


def test_late_plants_point_to_the_soil():
    gaps, rows = planter_rows(np.random.default_rng(5), units=1, rows=2, places=50, skip=0.03, double=0.01, sd=1.2)
    d = diagnose(gaps, rows, late_share=Estimate(0.2, 0.15, 0.26))
    assert d.items[0].cause.group == "soil side"


def test_ends_of_a_tape_read_from_plant_to_plant_tell_nothing():
    rng = np.random.default_rng(6)
    at = S * np.arange(40) + rng.normal(0, 1.5, 40)
    at = at[[*range(12), *range(15, 40)]]
    gaps, rows = tables_of([stretch_of(list(at - at[0] + 30), float(at[-1] - at[0] + 60))])
    told = diagnose(gaps, rows)
    quiet = diagnose(gaps, rows.assign(flags="ends_at_plants"))
    assert told.places.missing.sum() == 5 and quiet.places.missing.sum() == 3


def test_error_of_positions_is_taken_out():
    gaps, rows = planter_rows(np.random.default_rng(7), units=1, rows=3, places=60, sd=2.0)
    plant = gaps[gaps["from_plant"].notna()]
    plants = plant[["photo", "plot", "row"]].assign(plant=plant["from_plant"].astype(int), position_sd_cm=1.5)
    d = diagnose(gaps, rows, plants=tables.conform(tables.POSITIONS, pd.DataFrame(plants)))
    raw = diagnose(gaps, rows)
    assert d.measured_error_cm == pytest.approx(1.5 * np.sqrt(2))
    assert d.fit.placement_sd_cm.value < 0.8 * raw.fit.placement_sd_cm.value


def test_nothing_to_diagnose():
    with pytest.raises(TooFewData, match="no spacing"):
        diagnose(*tables_of([stretch_of([], 300.0)]))
    with pytest.raises(TooFewData):
        diagnose(*tables_of([stretch_of([10.0, 27.0], 300.0)]))


def test_us_units_in_the_evidence():
    gaps, rows = planter_rows(np.random.default_rng(2), units=1, rows=3, places=60, sd=3.6)
    d = diagnose(gaps, rows, Settings().replace("output", units="us"))
    assert " in (" in next(s.evidence for s in d.signs if s.name == "scatter")
