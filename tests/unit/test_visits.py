"""Plants followed over days, against made rows of known emergence days."""

import datetime as dt
import math

import numpy as np
import pandas as pd
import pytest
from fixtures.emerging import PLANTED, made

from standcam import tables
from standcam.chain.register import MARKS
from standcam.spacing.positions import positions_from_plants
from standcam.summarise import summarise
from standcam.visits.curve import crossing, emergence_curve, turnbull
from standcam.visits.emergence import Visit, VisitsMismatch, emergence, with_late
from standcam.visits.register import DAYS, EMERGENCE, VISITS
from standcam.visits.track import lives, without_early_finds

NAN = math.nan


@pytest.fixture(scope="module")
def plot():
    field = made(seed=1, boards=True)
    return field, emergence(field.visits, PLANTED, 16.0)


def identities(field, found):
    """For each plant followed, the true seeds among its sightings (-1: a false find)."""
    names = []
    for section in found.sections:
        looks = {one.look.visit: one.look for one in section.laid}
        truth = {}
        for v, look in looks.items():
            plants = field.visits[v].plants
            own = plants[plants["photo"] == look.piece.photo].set_index("plant")["truth"]
            truth[v] = own.reindex(look.number).to_numpy()
        for line in section.sighting:
            names.append({int(truth[v][j]) for v, j in enumerate(line) if j >= 0})
    return names


def test_plants_are_the_same_plants_on_all_days(plot):
    field, found = plot
    names = identities(field, found)
    assert len(names) > 130
    mixed = sum(len(name) > 1 for name in names)
    assert mixed <= 0.02 * len(names)
    once = [name for name in names if name != {-1}]
    seeds = [next(iter(name)) for name in once if len(name) == 1]
    assert len(seeds) - len(set(seeds)) <= 2  # hardly a plant is followed as two


@pytest.mark.parametrize("seed", [2, 3, 4])
def test_days_to_half_and_the_visits_around(seed):
    field = made(seed=seed, boards=True)
    found = emergence(field.visits, PLANTED, 16.0)
    day = field.seeds["day"]
    true = float(np.median(day[day <= 17]))
    line = found.table.iloc[0]
    # a straight line between visits two days apart
    assert line["t50_days"] == pytest.approx(true, abs=0.5)
    assert line["t50_after_days"] <= true <= line["t50_by_days"]
    assert line["t50_days_low"] <= line["t50_days"] <= line["t50_days_high"]
    spread = float(np.subtract(*np.quantile(day[day <= 17], [0.9, 0.1])))
    assert line["spread_days_least"] <= spread <= line["spread_days_most"]
    assert line["days_since"] == "planting"


def test_shares_by_day_are_those_of_truth(plot):
    field, found = plot
    day = field.seeds["day"].to_numpy()
    for line in found.by_day.itertuples():
        true = (day <= line.days).sum() / (day <= 17).sum()
        assert line.emerged_pct / 100 == pytest.approx(true, abs=0.07)
    # of the seeds: 95 % of them ever come up, those of the last day not all
    assert found.by_day["emergence_pct"].iloc[-1] == pytest.approx(100 * (day <= 17).mean(), abs=6)


def test_late_plants_lie_between_the_least_and_the_most(plot):
    field, found = plot
    line = found.table.iloc[0]
    assert line["late_least"] <= line["late_plants"] <= line["late_most"]
    day = field.seeds["day"]
    true = int(((day >= np.median(day[day <= 17]) + 5) & (day <= 17)).sum())
    share = line["row_length_cm"] / 2800.0  # seeds were laid on 7 m a section
    assert line["late_least"] - 3 <= true * share <= line["late_most"] + 3


def test_places_that_fill_later_were_no_skips(plot):
    field, found = plot
    line = found.table.iloc[0]
    assert line["empty_first"] > 130  # hardly a plant is up on day 6
    assert line["filled_later"] + line["empty_last"] == pytest.approx(line["empty_first"], rel=0.1)
    day = field.seeds["day"]
    never = (~(day <= 17)).mean() * line["row_length_cm"] / 16
    assert line["empty_last"] == pytest.approx(never, abs=6)


def test_lost_plants_and_false_finds():
    field = made(seed=5, boards=True, lost=0.1, late=0.0, false_per_row=0.0, miss=0.0)
    found = emergence(field.visits, PLANTED, 16.0)
    plants = found.plants[found.plants["everywhere"]]
    names = identities(field, found)
    keep = found.plants["everywhere"].to_numpy()
    gone = field.seeds["gone"].to_numpy()
    true_gone = [
        np.isfinite(gone[next(iter(n))]) and gone[next(iter(n))] <= 17 for n, k in zip(names, keep, strict=True) if k
    ]
    claimed = ((plants["absent"] > 0) & (plants["seen"] > 0)).to_numpy()
    assert (claimed == np.array(true_gone)).mean() > 0.97
    none = emergence(made(seed=5, boards=True, lost=0.0, false_per_row=0.0, miss=0.0).visits, PLANTED)
    assert none.table["lost"].sum() + none.table["doubtful"].sum() <= 1
    assert none.table["missed_pct"].iloc[0] < 1.5


def test_misses_are_measured():
    found = emergence(made(seed=7, boards=True, miss=0.12, false_per_row=0.0).visits, PLANTED)
    assert found.table["missed_pct"].iloc[0] == pytest.approx(12, abs=6)


def test_without_boards_plants_tell_where_sections_lie_once_enough_are_up():
    field = made(seed=2)
    found = emergence(field.visits, PLANTED, 16.0)
    hows = {one.look.visit: one.how for section in found.sections for one in section.laid}
    assert {2, 3, 4} <= set(hows) and set(hows.values()) <= {"plants", "its own scale"}
    assert any("could not be laid" in note for note in found.notes)
    # the first visit that could be laid is the first that counts
    assert found.by_day["emerged_pct"].isna().sum() == (found.by_day["sections"] == 0).sum()
    mixed = sum(len(n) > 1 for n in identities(field, found))
    assert mixed <= 0.02 * len(found.plants)


def test_boards_laid_anew_are_noticed():
    field = made(seed=8, boards=True)
    moved = [v for v in field.visits]
    marks = moved[3].marks.assign(position_cm=moved[3].marks["position_cm"] + 73.0)
    moved[3] = type(moved[3])(**(vars(moved[3]) | {"marks": marks}))
    found = emergence(moved, PLANTED, 16.0)
    assert {one.how for s in found.sections for one in s.laid if one.look.visit == 3} <= {"plants", "its own scale"}
    assert found.table["t50_days"].iloc[0] == pytest.approx(
        emergence(field.visits, PLANTED).table["t50_days"].iloc[0], abs=0.2
    )


def test_order_of_visits_does_not_matter(plot):
    field, found = plot
    again = emergence(field.visits[::-1], PLANTED, 16.0)
    pd.testing.assert_frame_equal(again.table, found.table)


def test_tables_keep_their_registers(plot):
    _, found = plot
    tables.check(VISITS, found.plants)
    tables.check(EMERGENCE, found.table)
    tables.check(DAYS, found.by_day)


def test_calls_that_make_no_sense():
    field = made(seed=1, sections=1)
    with pytest.raises(VisitsMismatch, match="One visit"):
        emergence(field.visits[:1])
    with pytest.raises(VisitsMismatch, match="one day"):
        emergence([field.visits[0], field.visits[0]])
    with pytest.raises(VisitsMismatch, match="after the first visit"):
        emergence(field.visits, dt.date(2032, 1, 1))
    other = [field.visits[3], *made(seed=1, sections=1, plot="P2").visits[4:]]
    with pytest.raises(VisitsMismatch, match="found again"):
        emergence(other)


def test_without_planting_days_count_from_the_first_visit(plot):
    field, found = plot
    bare = emergence(field.visits)
    assert bare.table["days_since"].iloc[0] == "first visit"
    assert bare.table["t50_days"].iloc[0] == pytest.approx(found.table["t50_days"].iloc[0] - 6)
    assert math.isnan(bare.table["empty_first"].iloc[0])


def test_late_marks_reach_the_planter(plot):
    field, found = plot
    plants, told = with_late(field.visits[-1].plants, found.plants)
    assert told > 0.9 * len(plants)
    assert set(plants["late"]) <= {"yes", "no", ""}
    day = field.seeds["day"].reindex(plants["truth"]).to_numpy()
    # a plant missed on the visit after it came up passes for late: 3 of 15 here
    assert (day[(plants["late"] == "yes").to_numpy()] > 12).mean() >= 0.75
    other = field.visits[-1].plants.assign(photo="other.jpg")
    assert with_late(other, found.plants)[1] == 0


@pytest.mark.parametrize(
    ("seen", "first", "last", "missed", "lost", "doubtful"),
    [
        ([0, 1, 1, 1], 1, 3, 0, False, False),
        ([0, 1, 0, 1], 1, 3, 1, False, False),
        ([1, 1, 0, 0], 0, 1, 0, True, False),
        ([0, 1, 1, 0], 1, 2, 0, False, False),  # one look is no proof
        ([0, 1, 0, 0], 1, 1, 0, False, True),
        ([0, 0, 0, 1], 3, 3, 0, False, False),
        ([1, 0, 0, 1], 3, 3, 0, False, False),  # not borne out twice running: the first was no plant
        ([1, NAN, 1, NAN], 0, 2, 0, False, False),
    ],
)
def test_lives(seen, first, last, missed, lost, doubtful):
    life = lives(np.array([seen], float))
    assert (life.first[0], life.last[0], life.missed[0]) == (first, last, missed)
    assert (life.lost[0], life.doubtful[0]) == (lost, doubtful)
    assert life.unseen_last[0] == (seen == [0, 1, 1, 0])


def test_early_finds_are_unknown_not_absent():
    out = without_early_finds(np.array([[1.0, 0, 0, 1, 1]]))
    assert math.isnan(out[0, 0]) and list(out[0, 1:]) == [0, 0, 1, 1]


def test_turnbull_counts_where_all_were_looked_for_and_shares_where_not():
    np.testing.assert_allclose(turnbull(np.array([0, 0, 1, 2]), np.array([0, 0, 1, 2]), 3), [0.5, 0.25, 0.25])
    # by head: two in cell 0, one in cell 1, one in either; the last is shared as 2 to 1
    np.testing.assert_allclose(turnbull(np.array([0, 0, 1, 0]), np.array([0, 0, 1, 1]), 2), [2 / 3, 1 / 3], atol=1e-8)
    assert np.isnan(turnbull(np.zeros(0, int), np.zeros(0, int), 2)).all()


def test_a_share_reached_on_the_first_visit_has_no_day():
    day, after, by = crossing(np.array([6.0, 8.0]), np.array([0.7, 1.0]), 0.5)
    assert math.isnan(day) and after == -math.inf and by == 6.0
    assert crossing(np.array([6.0, 8.0]), np.array([0.7, 1.0]), 0.5, start=0.0)[1] == 0.0


def test_intervals_of_half_hold_what_they_promise():
    """Intervals by drawing six rows anew, from a field whose rows differ by half a day: 50 of 60 hold the true day."""
    rng = np.random.default_rng(3)
    days = np.arange(4.0, 16.0)
    held = 0
    for _ in range(60):
        shift = rng.normal(0, 0.5, 6)
        day = np.concatenate([rng.normal(9 + s, 1.5, 40) for s in shift])
        cell = np.searchsorted(days, day).clip(0, len(days) - 1)
        curve = emergence_curve(cell, cell, days, np.repeat(np.arange(6), 40), resamples=120)
        held += curve.t50.days.low <= 9.0 <= curve.t50.days.high
    assert held >= 44  # 95 % were promised; six rows drawn anew give less: 80 to 90 %


def test_no_plants_at_all():
    curve = emergence_curve(np.zeros(0, int), np.zeros(0, int), np.array([1.0, 2.0]), np.zeros(0))
    assert curve.plants == 0 and not curve.t50.days.known


def test_tapes_from_one_peg_need_no_plants_to_lie_right():
    """By head: three plants on the first day, a fourth on the second, one place of five never filled."""
    visits = []
    for day, places in ((7, [10.0, 30.0, 50.0]), (11, [10.2, 29.8, 50.1, 69.9])):
        n = len(places)
        plants = tables.conform(
            tables.PLANTS,
            pd.DataFrame(
                {"photo": "t.csv", "plot": "A", "row": 1, "plant": range(1, n + 1), "position_cm": places,
                 "is_crop": True, "judged": ""}
            ),
        )  # fmt: skip
        stretch = {"photo": "t.csv", "plot": "A", "row": 1, "from_cm": 0.0, "to_cm": 100.0, "plants": n, "status": "ok"}
        summary = summarise(positions_from_plants(plants), tables.conform(tables.STRETCHES, pd.DataFrame([stretch])))
        when = PLANTED + dt.timedelta(days=day)
        visits.append(Visit("tape", when, plants, summary.gaps, summary.rows, tables.empty(MARKS), "tape"))
    with pytest.raises(VisitsMismatch, match="found again"):
        emergence(visits, PLANTED)
    found = emergence(visits, PLANTED, 20.0, same_zero=True)
    assert list(found.plants["first_seen"]) == ["2031-05-08"] * 3 + ["2031-05-12"]
    line = found.table.iloc[0]
    assert (line["plants"], line["lost"], line["doubtful"]) == (4, 0, 0)
    assert (line["empty_first"], line["filled_later"], line["empty_last"]) == (2, 1, 1)
    assert (found.by_day["emerged_pct"] == [75.0, 100.0]).all()
    assert math.isnan(line["t50_days"]) and line["t50_by_days"] == 7  # half were up on the first visit
