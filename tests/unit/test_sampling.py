from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from standcam.errors import BadSettings, TooFewData
from standcam.settings import SpacingSettings
from standcam.spacing import intervals
from standcam.stand import sampling
from standcam.stand.sampling import Components, Wanted
from standcam.summarise import summarise

# ---- fields whose truth is known


def field_rows(rng, rows, length_cm, spacing_cm=16.0, place_sd=0.06, skip_sd=0.0):
    """Plants of rows in places of their own: spacing drawn by place, 8 % skips, 3 % doubles, scatter 15 %."""
    n = int(length_cm / spacing_cm * 1.6) + 30
    scale = spacing_cm * np.exp(rng.normal(0, place_sd, rows))
    skips = np.clip(0.08 + rng.normal(0, skip_sd, rows), 0, 0.6)
    seed = np.arange(n) * 1.0
    up = rng.random((rows, n)) > skips[:, None]
    place = np.where(up, seed + rng.normal(0, 0.15, (rows, n)), np.nan)
    second = np.where(up & (rng.random((rows, n)) < 0.03), place + 0.25, np.nan)
    place = np.sort(np.concatenate([place, second], axis=1), axis=1) * scale[:, None]
    place -= rng.uniform(5, 10, rows)[:, None] * scale[:, None]
    return [p[(p >= 0) & (p <= length_cm)] for p in place]


def statistics(rows, length_cm, spacing_cm=16.0):
    """Density of each row, pooled CV, pooled share of skips."""
    gaps = np.concatenate([np.diff(p) for p in rows])
    density = np.array([len(p) for p in rows]) / length_cm
    return density, 100 * gaps.std(ddof=1) / gaps.mean(), 100 * (gaps > 1.5 * spacing_cm).mean()


def tables_of(rows, length_cm, spacing_cm=16.0, plots=None):
    plots = plots or [f"p{i}" for i in range(len(rows))]
    key = [{"photo": f"{i}.jpg", "plot": plots[i], "row": 1} for i in range(len(rows))]
    positions = pd.concat(
        [
            pd.DataFrame({"plant": 1 + np.arange(len(p)), "position_cm": p}).assign(**k)
            for p, k in zip(rows, key, strict=True)
        ]
    )
    stretches = pd.DataFrame(
        [
            k | {"from_cm": 0.0, "to_cm": length_cm, "plants": len(p), "status": "ok"}
            for p, k in zip(rows, key, strict=True)
        ]
    )
    found = summarise(positions, stretches, SpacingSettings(row_width_cm=76, nominal_spacing_cm=spacing_cm))
    return found.rows, found.gaps, positions.assign(is_crop=True)


@pytest.fixture(scope="module")
def known():
    """Variation as a long first sample tells it, and what is true of the field."""
    rng = np.random.default_rng(4)
    sample = field_rows(rng, 150, 530.0, skip_sd=0.03)
    many = field_rows(rng, 6000, 530.0, skip_sd=0.03)
    density, cv, skips = statistics(many, 530.0)
    return sampling.variation_of(*tables_of(sample, 530.0)), (density.mean(), cv, skips)


# ---- the plan keeps its promise


@pytest.mark.parametrize("length_cm", [180.0, 530.0])
def test_following_the_plan_gives_the_wanted_interval(known, length_cm):
    """600 surveys as planned, of rows long as in the first sample and of short ones.

    The estimate must lie within the wanted distance of the truth in about 95 % of surveys, and on the number
    called sure the interval itself must be as narrow as wanted in about 95 % (SE of either share: 0.9 %).
    """
    variation, truth = known
    wanted = Wanted(6.0, 6.0, 3.0)
    need = {n.quantity: n for n in sampling.needs(variation, wanted, length_cm)}
    rng = np.random.default_rng(1)
    close = {name: [] for name in need}
    narrow = []
    most = max(need[q].places for q in need)
    for _ in range(600):
        rows = field_rows(rng, max(most, need["population"].sure), length_cm, skip_sd=0.03)
        for i, name in enumerate(("population", "cv", "misses")):
            got = statistics(rows[: need[name].places], length_cm)
            off = 100 * (got[0].mean() / truth[0] - 1) if i == 0 else got[i] - truth[i]
            close[name].append(abs(off) <= need[name].half_width)
        density = statistics(rows[: need["population"].sure], length_cm)[0]
        n = len(density)
        half = intervals.t_quantile(n - 1, 0.95) * density.std(ddof=1) / np.sqrt(n) / density.mean()
        narrow.append(100 * half <= 6.0)
    for name, hits in close.items():
        assert 0.92 <= np.mean(hits) <= 0.99, (name, np.mean(hits))
    assert 0.92 <= np.mean(narrow) <= 0.995, np.mean(narrow)


def test_the_usual_number_is_narrow_enough_in_half_of_all_surveys_only():
    """Why there is a number called sure: normal draws, 4,000 surveys of each."""
    rng = np.random.default_rng(2)
    usual, sure = sampling.places_needed(100.0, 5.0), sampling.places_for_sure(100.0, 5.0)
    for n, low, high in ((usual, 0.5, 0.65), (sure, 0.94, 0.965)):
        half = intervals.t_quantile(n - 1, 0.95) * rng.normal(0, 10, (4000, n)).std(ddof=1, axis=1) / np.sqrt(n)
        assert low <= (half <= 5).mean() <= high


# ---- variance components


def test_components_by_head():
    # rows 0, 0 | 4, 4: nothing within; row means 0 and 4 have the variance 8
    got = sampling.components(np.array([0, 0, 4, 4.0]), np.array([0, 0, 1, 1]), np.array([0, 1]))
    assert (got.places, got.rows, got.within, got.pieces, got.df) == (0, 8, 0, 2, 1)
    # rows 0, 2 | 0, 2: all within, and a between that would be negative is zero
    got = sampling.components(np.array([0, 2, 0, 2.0]), np.array([0, 0, 1, 1]), np.array([0, 1]))
    assert (got.places, got.rows, got.within) == (0, 0, 2)
    assert got.icc == 0 and got.design_effect(10) == 1


def test_components_of_unequal_rows_are_unbiased():
    rng = np.random.default_rng(3)
    found = []
    for _ in range(400):
        place, row = np.repeat(np.arange(12), [1, 2, 3] * 4), np.repeat(np.arange(24), [2, 3, 5, 8] * 6)
        value = rng.normal(0, 3, 12)[place][row] + rng.normal(0, 2, 24)[row] + rng.normal(0, 4, len(row))
        got = sampling.components(value, row, place)
        found.append((got.places, got.rows, got.within))
    # those cut off at zero make the first two a little large
    assert np.mean(found, axis=0) == pytest.approx((9, 4, 16), rel=0.12)


def test_design_effect():
    part = Components(1.0, 2.0, 9.0)
    assert part.icc == 0.25 and part.design_effect(5) == 2
    # the variance of a row of m pieces is that of m scattered ones times the design effect
    assert part.of_place(1, 5) == pytest.approx(part.design_effect(5) * 12 / 5)
    assert part.of_place(4, 5) == pytest.approx(1 + 2 / 4 + 9 / 20)


def test_one_row_tells_nothing():
    with pytest.raises(TooFewData, match="One row cannot tell"):
        sampling.components(np.array([1, 2.0]), np.array([0, 0]), np.array([0]))
    rows, gaps, plants = tables_of([np.array([5.0, 20.0])], 30.0)
    with pytest.raises(TooFewData, match="1 rows with 2 plants"):
        sampling.variation_of(rows, gaps, plants)


# ---- CV


def test_influence_is_the_slope_of_the_cv():
    gap = np.array([4, 15, 16, 17, 18, 31.0])
    cv = lambda w: np.sqrt(np.cov(gap, aweights=w, ddof=0)) / np.average(gap, weights=w)  # noqa: E731
    influence = sampling.cv_influence(gap)
    assert influence.sum() == pytest.approx(0, abs=1e-9)
    for i in range(len(gap)):
        w = np.ones(len(gap))
        w[i] += 1e-6
        assert 100 * (cv(w) - cv(np.ones(len(gap)))) / (1e-6 / len(gap)) == pytest.approx(influence[i], rel=1e-4)
    z = (gap - gap.mean()) / gap.std()
    moments = sampling.cv_variance(gap.std() / gap.mean(), (z**3).mean(), (z**4).mean())
    assert influence.var() == pytest.approx(moments)
    assert not sampling.cv_influence(np.array([9, 9.0])).any()


@pytest.mark.parametrize("cv", [0.1, 0.2, 0.3])
def test_normal_independent_gaps_ask_for_as_many_as_vangel(cv):
    """Vangel's interval for normal draws, at the number of gaps that ours asks for, is as wide as was wanted."""
    n = sampling.places_needed(sampling.cv_variance(cv, 0.0, 3.0), 2.0)
    low, high = intervals.cv_interval(np.array([cv]), np.array([n]))
    assert 100 * (high - low)[0] / 2 == pytest.approx(2.0, rel=0.05)


# ---- a first sample


def test_first_sample_finds_how_places_differ(known):
    variation = known[0]
    assert variation.rows == 150 and variation.source == "the first sample"
    # 6 % from place to place, and what 3 points of skips add to it
    assert np.sqrt(variation.population.rows) == pytest.approx(6.7, abs=1.2)
    assert np.sqrt(variation.misses.rows) == pytest.approx(3.0, abs=1.0)
    assert variation.misses_pct == pytest.approx(known[1][2], abs=1) and not variation.notes


def test_rows_of_one_plot_are_one_place():
    rng = np.random.default_rng(6)
    rows = field_rows(rng, 12, 530.0)
    apart = sampling.variation_of(*tables_of(rows, 530.0, plots=[f"p{i // 2}" for i in range(12)]))
    assert apart.places == 6 and apart.population.df == 5
    alone = sampling.variation_of(*tables_of(rows, 530.0, plots=["p"] * 12))
    assert "All rows are of one plot" in alone.notes[0] and alone.population.places == 0


def test_bare_counts_tell_of_the_population_only():
    stretches = pd.DataFrame(
        {"photo": "t.csv", "plot": list("abcde"), "row": 1, "from_cm": 0.0, "to_cm": 531.0, "status": "counted",
         "plants": [29, 31, 27, 30, 28]}
    )  # fmt: skip
    positions = pd.DataFrame({"photo": [], "plot": [], "row": [], "plant": [], "position_cm": []}).astype(
        {"photo": "str", "plot": "str", "row": int, "plant": int}
    )
    found = summarise(positions, stretches, SpacingSettings(row_width_cm=76.2))
    got = sampling.variation_of(found.rows, found.gaps, positions.assign(is_crop=pd.Series(dtype=bool)))
    # CV 5.452 % in all at this length; rows of that length must come back to it or, cut off at zero, above it
    assert got.population.of_place(1, 5.31) >= 5.452**2 * 0.999
    assert any("bare counts" in note for note in got.notes)
    assert any("CV's variation is taken from common practice" in note for note in got.notes)
    assert any("skips' variation is taken from common practice" in note for note in got.notes)


def test_no_skip_seen_is_not_no_skip():
    rows = [np.arange(3, 500, 16.0) + i / 10 for i in range(4)]
    got = sampling.variation_of(*tables_of(rows, 500.0))
    assert 0 < got.misses_pct <= 8 and any("No skip among" in note for note in got.notes)


def test_a_small_first_sample_is_distrusted():
    assert sampling.pilot_factor(9) == pytest.approx(9 / 5.380, rel=1e-3)  # chi² table: 20 % point, 9 df
    assert sampling.pilot_factor(float("inf")) == 1


# ---- how many


def test_more_is_asked_for_more():
    variation = sampling.common_variation(17.5)
    need = {length: sampling.needs(variation, Wanted(), length) for length in (180, 531, 1312)}
    for i in range(3):
        places = [need[length][i].places for length in need]
        metres = [p * length for p, length in zip(places, need, strict=True)]
        assert places == sorted(places, reverse=True) and metres == sorted(metres)
        assert all(n[i].sure > n[i].places for n in need.values())
    assert sampling.places_needed(100, 2.5) > sampling.places_needed(100, 5)
    several = sampling.needs(variation, Wanted(), 180, rows_per_place=3)
    assert all(s.places <= n.places for s, n in zip(several, need[180], strict=True))


def test_the_number_is_the_least_one():
    for variance, half, share in ((100.0, 5.0, None), (60.0, 3.0, 8.0), (4.0, 9.0, None)):
        n = sampling.places_needed(variance, half, share=share)
        assert sampling.half_width_of(variance, n, share=share) <= half
        assert n == 2 or sampling.half_width_of(variance, n - 1, share=share) > half


def test_shares_take_wilson():
    """With many places t is z: the half-width is that of Wilson's interval at the effective number of gaps."""
    p, n = 0.08, 1000
    low, high = intervals.wilson(np.array([80.0]), np.array([n]))
    got = sampling.half_width_of(1e4 * p * (1 - p), n, share=8.0)
    assert float(got) == pytest.approx(100 * (high - low)[0] / 2, rel=5e-3)


def test_out_of_reach_and_nonsense():
    assert sampling.places_needed(1e4, 0.5) is None
    for half in (0.0, -1.0):
        with pytest.raises(BadSettings, match="half-width"):
            sampling.places_needed(100, half)
    with pytest.raises(BadSettings, match="0 rows"):
        sampling.needs(sampling.common_variation(17), Wanted(), 180, rows_per_place=0)
    assert sampling.needs(sampling.common_variation(17), Wanted(None, None, 2.0), 180)[0].quantity == "misses"


# ---- where


@pytest.mark.parametrize(("places", "rows", "units"), [(22, 2, 8), (5, 3, 16), (7, 1, 6), (9, 4, 4)])
def test_places_are_spread_and_units_dealt_evenly(places, rows, units):
    table = sampling.places_to_look(places, rows, units, seed=3)
    assert len(table) == places * rows
    at = table.drop_duplicates("plot")["way_pct"].to_numpy()
    assert ((at // (100 / places)).astype(int) == np.arange(places)).mean() > 0.8  # rounding may cross an edge
    assert (np.diff(at) > 0).all() and at.min() >= 0 and at.max() <= 100
    seen = table["row_unit"].value_counts().reindex(range(1, units + 1), fill_value=0)
    assert seen.max() - seen.min() <= 1
    assert not table.duplicated(["plot", "row_unit"]).any()


def test_places_are_drawn_again_from_their_seed():
    one, again, other = (sampling.places_to_look(10, 2, 12, seed) for seed in (1, 1, 2))
    assert one.equals(again) and not one.equals(other)
    assert "row_unit" not in sampling.places_to_look(3, 1, None, 1)
    assert len(sampling.places_to_look(0, 1, 8, 1)) == 0
    with pytest.raises(BadSettings, match="3 rows a place are more than 2 row units"):
        sampling.places_to_look(3, 3, 2, 1)
