from __future__ import annotations

import numpy as np
import pytest
from fixtures.planter_rows import S, planter_rows, stretch_of, tables_of

from standcam import tables
from standcam.planter.contrasts import dispersion
from standcam.planter.diagnosis import closed_stretch
from standcam.planter.places import KEYS, seed_places
from standcam.planter.units import UNITS, chance_to_notice, compare_units, cv_interval
from standcam.spacing.metrics import OPEN


def compared(gaps, rows, sd=2.0, **options):
    places = seed_places(gaps, S, sd, 0.06, 0.03)
    keyed = places.keys.merge(rows, on=KEYS, how="left")
    closed = gaps[gaps["kind"] != OPEN]
    return compare_units(
        places,
        keyed["row_unit"].to_numpy(object),
        closed_stretch(closed, places.keys),
        closed["gap_cm"].to_numpy(),
        keyed["row_length_cm"].to_numpy(),
        keyed["plants"].to_numpy(),
        resamples=50,
        **options,
    )


def simulated(seed, **planter):
    return compared(*planter_rows(np.random.default_rng(seed), **planter), sd=planter.get("sd", 2.0))


def test_a_sound_planter_is_left_alone():
    # family-wise 5 %: of 24 planters one alarm is expected, five or more come about once in 150
    alarms = sum((simulated(seed).table["verdict"] != "").any() for seed in range(100, 124))
    assert alarms <= 4


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        ({"skip": 0.20}, "more missing plants"),
        ({"double": 0.14}, "more doubles"),
        ({"sd": 3.4}, "wider placement"),
    ],
)
def test_one_bad_unit_is_told_for_what_it_is(bad, words):
    told, first, others = 0, 0, 0
    for seed in range(8):
        table = simulated(seed, bad={3: bad}).table.set_index("row_unit")
        told += words in table.loc["3", "verdict"]
        first += table.loc["3", "rank"] == 1
        others += (table.drop("3")["verdict"] != "").any()
    assert told >= 6 and first >= 7 and others <= 2


def test_of_sixteen_units():
    comparison = simulated(5, units=16, bad={11: {"skip": 0.22}})
    assert comparison.table["row_unit"].iloc[0] == "11" and comparison.worse("missing") == ["11"]
    assert comparison.overall_p["missing"] < 0.01 < comparison.overall_p["placement"]
    assert comparison.others["missing"] == pytest.approx(0.06, abs=0.015)
    assert sorted(comparison.table["row_unit"], key=int) == [str(u) for u in range(1, 17)]


def test_beside_one_bad_unit_the_others_are_not_better():
    better = 0
    for seed in range(8):
        table = simulated(seed, bad={3: {"sd": 4.5}}).table.set_index("row_unit")
        better += table.drop("3")["verdict"].str.contains("closer").any()
    assert better <= 1


def test_rows_that_differ_by_place_are_no_fault_of_units():
    # whole rows lie in good and bad ground, at random over the units
    alarms = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        made = []
        for unit in range(1, 9):
            for r in range(1, 5):
                length = 60 * S
                share = rng.choice([0.02, 0.20])
                x = S / 2 + S * np.arange(60) + rng.normal(0, 2, 60)
                made.append(stretch_of(list(x[rng.random(60) > share]), length, unit, f"p{r}", str(unit)))
        alarms += (compared(*tables_of(made)).table["verdict"].str.contains("missing")).any()
    assert alarms <= 2


def test_columns_and_words():
    comparison = simulated(2, units=3, rows=1, places=40)
    tables.check(UNITS, comparison.table)
    assert "One row a unit" in comparison.notes[0]
    assert comparison.power[0].startswith("With 40 seed places a unit, one with twice the missing plants")
    assert (comparison.table["missing_low_pct"] <= comparison.table["missing_pct"]).all()


def test_units_go_by_number_where_equal():
    made = [stretch_of(list(S / 2 + S * np.arange(30)), 30 * S, u, "p", str(u)) for u in (10, 9, 2)]
    comparison = compared(*tables_of(made))
    assert comparison.table["row_unit"].tolist() == ["2", "9", "10"]
    assert (comparison.table["verdict"] == "").all() and comparison.power == ()


def test_a_dead_unit():
    made = [stretch_of(list(S / 2 + S * np.arange(40)), 40 * S, u, "p", str(u)) for u in range(1, 5)]
    made.append(stretch_of([], 40 * S, 5, "p", "5"))
    comparison = compared(*tables_of(made))
    line = comparison.table.iloc[0]
    assert line["row_unit"] == "5" and line["missing_pct"] == 100 and line["verdict"] == "more missing plants"
    assert np.isnan(line["placement_p"])


def test_rows_without_a_unit_take_no_part():
    gaps, rows = planter_rows(np.random.default_rng(3), units=3, places=40)
    rows["row_unit"] = rows["row_unit"].replace("2", "")
    comparison = compared(gaps, rows)
    assert set(comparison.table["row_unit"]) == {"1", "3"}
    assert "3 of 9 measured rows have no row unit" in " ".join(comparison.notes)


def test_no_units_at_all():
    gaps, rows = planter_rows(np.random.default_rng(3), units=1, places=40)
    comparison = compared(gaps, rows.assign(row_unit=""))
    assert len(comparison.table) == 0 and list(comparison.table) == UNITS.names


def test_chance_to_notice_grows():
    few, many = (chance_to_notice(n, 7 * n, 0.06, 0.12, 0.05 / 24) for n in (60, 600))
    assert few < 0.1 < 0.9 < many
    # no difference: called worse half as often as alpha allows
    assert chance_to_notice(400, 40000, 0.1, 0.1, 0.05) == pytest.approx(0.025, abs=0.008)


def test_chance_to_notice_holds_on_simulated_planters():
    seen = sum("3" in simulated(seed, bad={3: {"skip": 0.18}}).worse("missing") for seed in range(14))
    expected = chance_to_notice(180, 7 * 180, 0.06, 0.18, 0.05 / 24)
    assert seen / 14 == pytest.approx(expected, abs=0.2)


def test_dispersion():
    rng = np.random.default_rng(1)
    group = np.repeat(np.arange(50), 20)
    trials = np.full(1000, 30)
    even, degrees = dispersion(rng.binomial(30, 0.1, 1000), trials, group)
    assert degrees == 950 and even == pytest.approx(1, abs=0.1)
    patchy, _ = dispersion(rng.binomial(30, rng.beta(1, 9, 1000)), trials, group)
    assert patchy > 2
    assert dispersion(np.zeros(3), np.ones(3), np.zeros(3, int))[1] == 0


def test_cv_interval():
    rng = np.random.default_rng(1)
    gap = rng.normal(16, 4, 400)
    estimate = cv_interval(gap, np.repeat(np.arange(10), 40), 0.95, 400, rng)
    assert estimate.low < 25 < estimate.high and estimate.high - estimate.low < 6
    assert np.isnan(cv_interval(gap[:1], np.zeros(1, int), 0.95, 10, rng).value)
