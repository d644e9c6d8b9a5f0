"""Payback of a repair: by hand, never, break-even, goals, refusals."""

from __future__ import annotations

import math

import pytest

from standcam.errors import BadSettings
from standcam.stand.payback import Goal, goals, payback


def paid(**changed):
    values = {"cost_per_row": 100.0, "rows": 12, "price_per_t": 200.0, "area_ha": 300.0} | changed
    return payback(8.08, [Goal(5.08, "")], **values)


def test_by_hand():
    """3 cm less SD at 61.78 kg/ha per cm is 185.3 kg/ha, worth 37.07 at 200 a tonne; 1,200 is paid by 32.4 ha."""
    line = {s.study: s for s in paid().studies}["Nielsen 1997"]
    assert line.gain_kg_per_ha == pytest.approx((185.34, 185.34), abs=0.02)
    assert line.gain_a_season == pytest.approx((11_120, 11_120), abs=2)
    assert line.seasons == pytest.approx((0.1079, 0.1079), abs=1e-4)
    assert line.break_even_ha == pytest.approx((32.37, 32.37), abs=0.01)


def test_never_is_part_of_the_range():
    result = paid()
    never = [s.study for s in result.studies if math.isinf(s.seasons[0])]
    assert never == ["Krall et al. 1977, third site", "Liu et al. 2004", "Lauer and Rankin 2004"]
    assert result.seasons[1] == math.inf and 0 < result.seasons[0] < 1
    assert result.gain_a_season[0] == 0 and result.break_even_ha[1] == math.inf


def test_two_goals_make_a_range_within_a_study():
    result = payback(
        12.0, goals(12.0), cost_per_row=100, rows=8, price_per_t=200, area_ha=100, expected_yield_kg_ha=10_000
    )
    # 11.43 cm, the survey's average, is less than a tenth below
    assert [round(g.sd_cm, 2) for g in result.goals] == [6.86, 5.08]
    line = {s.study: s for s in result.studies}["Nielsen 1997"]
    assert line.gain_kg_per_ha == pytest.approx((61.78 * 5.142, 61.78 * 6.92), rel=1e-3)
    assert line.seasons[0] < line.seasons[1] < math.inf


def test_without_an_area_only_the_break_even_is_known():
    result = paid(area_ha=math.nan)
    assert all(math.isnan(s.seasons[0]) for s in result.studies if s.gain_kg_per_ha[1] > 0)
    assert result.break_even_ha[0] == pytest.approx(1200 / (98.84 * 3 * 0.2), rel=1e-3)


def test_studies_in_per_cent_need_a_yield():
    far = {"cost_per_row": 100, "rows": 8, "price_per_t": 200, "area_ha": 100}
    names = [s.study for s in payback(15.0, [Goal(10.0, "")], **far).studies]
    assert "Lauer and Rankin 2004" not in names
    with_yield = payback(15.0, [Goal(10.0, "")], **far, expected_yield_kg_ha=10_000).studies
    lauer = {s.study: s for s in with_yield}["Lauer and Rankin 2004"]
    assert lauer.gain_kg_per_ha[0] == pytest.approx(10_000 * 0.0106 * 3)


def test_goals():
    assert [g.words for g in goals(8.0, 6.0)] == ["as expected by you"]
    assert [round(g.sd_cm, 2) for g in goals(6.0)] == [5.08]
    assert goals(5.0) == ()
    assert [round(g.sd_cm, 2) for g in goals(5.3)] == [5.08], "the best is a goal however near"
    raised = goals(14.0, floor_cm=7.5)
    assert [round(g.sd_cm, 2) for g in raised] == [11.43, 7.5] and "missing seedlings" in raised[1].words
    with pytest.raises(BadSettings, match=r"expected after the repair is 9 cm, the present one 8\.0 cm"):
        goals(8.0, 9.0)


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"cost_per_row": 0}, "cost per row is 0"),
        ({"rows": -1}, "number of rows is -1"),
        ({"price_per_t": math.nan}, "price is nan"),
        ({"area_ha": -3.0}, "area is -3 ha"),
        ({"crop": "soybean"}, "of maize only"),
    ],
)
def test_nonsense_is_refused(changed, message):
    with pytest.raises(BadSettings, match=message):
        paid(**changed)
