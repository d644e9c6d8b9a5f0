"""Yield at risk: range, threshold, per cent, refusals; the SD it is asked for; the road by plants."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standcam import tables
from standcam.errors import BadSettings, TooFewData
from standcam.estimate import Estimate
from standcam.settings import SpacingSettings
from standcam.stand.published import studies
from standcam.stand.yield_risk import attainable_sd_cm, plant_route, plant_route_of, spacing_sd, yield_at_risk
from standcam.summarise import summarise


def by_name(risk):
    return {loss.study.name: loss for loss in risk.losses}


@given(st.floats(0, 60))
@settings(max_examples=60, deadline=None)
def test_never_a_gain_and_never_less_for_more(sd):
    risk, more = yield_at_risk(sd, 10_000), yield_at_risk(sd + 1, 10_000)
    for a, b in zip(risk.computed, more.computed, strict=True):
        assert 0 <= a.kg_per_ha.value <= b.kg_per_ha.value
    low, high = risk.range_kg_per_ha
    assert low == 0 <= high  # studies that found nothing, below 12 cm and above


def test_interval_of_the_sd_is_carried_through():
    risk = yield_at_risk(Estimate(8.0, 4.0, 10.0))
    steep = by_name(risk)["Carlson, Doerge and Clay"].kg_per_ha
    slope = 4 * 62.77 / 2.54
    assert (steep.low, steep.value, steep.high) == pytest.approx((0, slope * 2.92, slope * 4.92), rel=1e-4)
    assert risk.range_kg_per_ha == (0, steep.value) and risk.widest_kg_per_ha == (0, steep.high)


def test_without_an_interval():
    risk = yield_at_risk(8.0)
    assert math.isnan(risk.computed[0].kg_per_ha.low)
    assert risk.widest_kg_per_ha == risk.range_kg_per_ha


def test_percent_needs_a_yield():
    name = "Lauer and Rankin 2004"
    blind = by_name(yield_at_risk(Estimate(15.24, 13.0, 20.0)))[name]
    assert not blind.kg_per_ha.known and blind.percent.value == pytest.approx(1.06 * 3.24)
    told = by_name(yield_at_risk(Estimate(15.24, 13.0, 20.0), 12_000))[name]
    assert told.kg_per_ha.value == pytest.approx(12_000 * 0.0106 * 3.24)
    assert told.kg_per_ha.high == pytest.approx(12_000 * 0.0106 * 8)
    below = by_name(yield_at_risk(Estimate(10.0, 8.0, 13.0)))[name]
    assert below.kg_per_ha.value == below.kg_per_ha.low == 0 and math.isnan(below.kg_per_ha.high)
    assert by_name(yield_at_risk(8.0, 12_000))["Nielsen 1997"].percent.value == pytest.approx(
        2.5 * 62.77 / 2.54 * 2.92 / 120, rel=1e-4
    )


def test_findings_without_a_slope_are_told_and_not_computed():
    risk = yield_at_risk(9.0)
    told = [loss for loss in risk.losses if not loss.study.computed]
    assert {loss.study.name for loss in told} >= {"Nafziger 1996", "Thompson 2013", "Novak and Ransom 2018"}
    assert all(not loss.kg_per_ha.known and loss.study.finding for loss in told)
    assert len(risk.losses) == len(studies())


def test_another_threshold():
    assert by_name(yield_at_risk(8.0, threshold=7.0))["Nielsen 1997"].kg_per_ha.value == pytest.approx(61.78, abs=0.01)
    with pytest.raises(BadSettings, match="threshold is -1"):
        yield_at_risk(8.0, threshold=-1)


@pytest.mark.parametrize("crop", ["soybean", "Sunflower", ""])
def test_other_crops_are_refused(crop):
    with pytest.raises(BadSettings, match="are of maize only"):
        yield_at_risk(8.0, crop=crop)
    with pytest.raises(BadSettings, match="are of maize only"):
        plant_route(1, 1, 70_000, crop=crop)


def test_corn_is_maize():
    assert yield_at_risk(8.0, crop=" Corn ").range_kg_per_ha[1] > 0


def test_nonsense_is_refused():
    with pytest.raises(TooFewData, match="SD of plant spacing is not known"):
        yield_at_risk(math.nan)
    with pytest.raises(BadSettings, match="expected yield is -5"):
        yield_at_risk(8.0, -5)
    with pytest.raises(BadSettings, match="emergence 0"):
        attainable_sd_cm(16, 0)


# ---- SD over rows


def rows_and_gaps(*rows, width=76.0, nominal=16.5):
    """ROWS and GAPS of rows given by their gaps. [cm]"""
    positions, stretches = [], []
    for r, gaps in enumerate(rows, start=1):
        place = 10 + np.r_[0, np.cumsum(gaps)]
        positions.append(
            pd.DataFrame({"photo": "a", "plot": "a", "row": r, "plant": range(1, len(place) + 1), "position_cm": place})
        )
        stretches.append({"photo": "a", "plot": "a", "row": r, "from_cm": 0.0, "to_cm": place[-1] + 10, "plants": 0})
    summary = summarise(
        pd.concat(positions),
        pd.DataFrame(stretches).assign(status="ok"),
        SpacingSettings(row_width_cm=width, nominal_spacing_cm=nominal),
    )
    return summary.rows, summary.gaps


def as_seen(rows):
    return rows.drop(columns=[c for c in rows if "corrected" in c])


def test_rows_are_pooled_within():
    rows, gaps = rows_and_gaps([10, 20, 30], [100, 120])
    sd = spacing_sd(as_seen(rows), gaps)
    # squares about each row's own mean: 200 on 2 and 200 on 1 degrees of freedom
    assert sd.sd_gap_cm.value == pytest.approx(math.sqrt(400 / 3))
    assert (sd.rows, sd.gaps, sd.corrected_rows) == (2, 5, 0)
    assert sd.words == "as seen, errors of measurement included"
    assert sd.sd_gap_cm.low < sd.sd_gap_cm.value < sd.sd_gap_cm.high


def test_rows_without_an_sd_do_not_count():
    rows, gaps = rows_and_gaps([10, 20, 30], [100])
    sd = spacing_sd(as_seen(rows), gaps)
    assert sd.rows == 1 and sd.sd_gap_cm.value == pytest.approx(10) and math.isnan(sd.sd_gap_cm.low)
    with pytest.raises(TooFewData, match="No row has a spacing SD"):
        spacing_sd(rows[1:], gaps)


def test_corrected_sd_is_taken_where_it_is_known():
    rows, gaps = rows_and_gaps([10, 20, 30], [10, 20, 30])
    rows["sd_gap_corrected_cm"] = [8.0, np.nan]
    sd = spacing_sd(rows, gaps)
    assert sd.sd_gap_cm.value == pytest.approx(math.sqrt((64 + 100) / 2))
    assert sd.words == "with the errors of measurement taken out in 1 of 2 rows, the others as seen"
    rows["sd_gap_corrected_cm"] = 8.0
    assert spacing_sd(rows, gaps).words == "with the errors of measurement taken out"


def test_interval_covers_the_truth():
    """Rows of one law: nominal 95 %, measured 93 to 95 over 1,500 draws of 2 to 30 rows."""
    from standcam.stand.yield_risk import _pooled

    rng = np.random.default_rng(2)
    hits = 0
    for _ in range(400):
        gaps = rng.normal(0, 5, (5, 15))
        df = np.full(5, 14.0)
        got = _pooled(gaps.var(axis=1, ddof=1) * df, df, 0.95)
        hits += got.low <= 5 <= got.high
    assert 0.91 <= hits / 400 <= 0.985  # three standard errors about 0.95


# ---- by plants


def test_plants_between_and_beyond_the_two_populations():
    middle = plant_route(0, 0, 24_000 * 2.4710538)
    assert middle.net_double == pytest.approx(0.60, abs=1e-6) and middle.net_skip == pytest.approx(-0.67, abs=1e-6)
    dense = plant_route(0, 0, 100_000)
    assert dense.clamped and dense.net_skip == pytest.approx(-0.81)


def test_plants_from_tables():
    single = [16.5] * 8
    rows, gaps = rows_and_gaps([*single, 33, 49.5, 3], single)
    route = plant_route_of(rows, gaps)
    ha = rows["row_length_cm"].sum() * 76 / 1e8
    assert route.doubles_per_ha == pytest.approx(1 / ha) and route.skips_per_ha == pytest.approx(3 / ha)
    assert route.net_kg_per_ha == pytest.approx(route.skips_kg_per_ha - route.doubles_kg_per_ha)
    only = plant_route_of(*rows_and_gaps([*single, 3]))
    assert only.net_kg_per_ha < 0, "a second plant brings grain"
    assert plant_route_of(rows.assign(row_width_cm=np.nan), gaps) is None
    assert plant_route_of(tables.empty(tables.ROWS), tables.empty(tables.GAPS)) is None
