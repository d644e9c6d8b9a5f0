"""The fit of a planter against known truth, closed forms, and a second implementation."""

import itertools
import math
from functools import cache

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize
from scipy.stats import multivariate_normal, norm

from standcam import tables
from standcam.estimate import Estimate
from standcam.planter import likelihood, maximum
from standcam.planter.mixture import PlanterFit, fit_planter, gap_density
from standcam.planter.simulate import KnownPlanter, simulate_rows
from standcam.spacing.metrics import class_counts, find_gaps, spacing_shares


def fitted(planter, rng, plants, given, rows=1):
    sim = simulate_rows(planter, rows, planter.spacing_cm * plants / (1 - planter.skip_share), rng)
    gaps = find_gaps(sim.positions, sim.stretches)
    return fit_planter(gaps, planter.spacing_cm if given else None)


# What was asked for: over 200 seeded rows bias within 1 point for the shares and 3 % for the placement SD, and
# intervals that cover 90 to 98 % at nominal 95 %. Every row has a planter of its own, for the coverage of a small
# count goes up and down with the share, and one share would show one of these steps and not the whole. (Two other seeds
# gave 95 to 98 %.)
def test_known_planters_are_recovered():
    rng = np.random.default_rng(99)
    names = ("skip_share", "double_share", "placement_sd_cm")
    error, covered, settled = [], [], 0
    for _ in range(200):
        planter = KnownPlanter(
            16.0, rng.uniform(0.0, 0.13), rng.uniform(0.01, 0.08), 16 * rng.uniform(0.08, 0.25), 0.98
        )
        fit = fitted(planter, rng, rng.integers(50, 81), given=True)
        truth = (planter.skip_share, planter.double_share, planter.placement_sd_cm)
        found = [getattr(fit, name) for name in names]
        error.append([found[0].value - truth[0], found[1].value - truth[1], found[2].value / truth[2] - 1])
        covered.append([e.low <= t <= e.high for e, t in zip(found, truth, strict=True)])
        settled += fit.converged
    skip, double, placement = np.mean(error, axis=0)
    assert abs(skip) < 0.01 and abs(double) < 0.01 and abs(placement) < 0.03
    for name, share in zip(names, np.mean(covered, axis=0), strict=True):
        assert 0.90 <= share <= 0.98, name
    assert settled >= 196


def test_spacing_is_recovered_where_it_is_not_given():
    rng = np.random.default_rng(21)
    for _ in range(12):
        planter = KnownPlanter(rng.uniform(4, 30), 0.05, 0.03, 0.0, 0.97, double_distance_cm=(0.5, 1.5))
        planter = KnownPlanter(**(vars(planter) | {"placement_sd_cm": 0.15 * planter.spacing_cm}))
        fit = fitted(planter, rng, 60, given=False)
        assert fit.spacing_cm.value == pytest.approx(planter.spacing_cm, rel=0.02)


def test_pooled_rows_are_sharper():
    planter = KnownPlanter(16.0, 0.04, 0.03, 2.4, 0.98)
    rng = np.random.default_rng(24)
    one, many = (fitted(planter, rng, 60, given=True, rows=rows) for rows in (1, 8))
    assert many.rows == 8 and many.gaps > 7 * one.gaps
    for name, truth in (("skip_share", planter.skip_share), ("double_share", planter.double_share)):
        wide, sharp = getattr(one, name), getattr(many, name)
        assert sharp.high - sharp.low < 0.6 * (wide.high - wide.low)
        assert sharp.low < truth < sharp.high


# Ideal planter, imperfect emergence: gaps are s x Geometric(p), so mean s / p, variance s²(1 - p)/p² and, with seeds
# off by sg each, 2 sg² more; D = 0, A = p, M = 1 - p. Derived, not printed; the figures are worked out from it [in].
@pytest.mark.parametrize(
    ("p", "sg", "mean", "sd"),
    [(0.95, 0.02, 6.842, 1.530), (0.95, 1.0, 6.842, 2.083), (0.90, 0.02, 7.222, 2.284), (0.90, 1.0, 7.222, 2.686),
     (0.85, 0.02, 7.647, 2.962)],
)  # fmt: skip
def test_density_has_the_moments_of_an_ideal_planter(p, sg, mean, sd):
    s = 6.5
    fit = PlanterFit(
        Estimate(s), Estimate(1 - p), Estimate(0.0), Estimate(sg), 100, 1, 100.0, 0.0, True, (),
        Estimate(s), sg * math.sqrt(2), 1.0,
    )  # fmt: skip
    x = np.linspace(0, 150, 300001)
    f = gap_density(fit, x)
    assert np.trapezoid(f, x) == pytest.approx(1, abs=1e-4)
    m = np.trapezoid(x * f, x)
    assert m == pytest.approx(mean, abs=6e-4)
    assert math.sqrt(np.trapezoid((x - m) ** 2 * f, x)) == pytest.approx(sd, abs=6e-4)


@pytest.mark.parametrize("p", [0.95, 0.85])
def test_failed_emergence_is_what_the_closed_form_says(p):
    planter = KnownPlanter(16.0, 0.0, 0.0, 0.8, p)
    sim = simulate_rows(planter, 6, 16 * 100, np.random.default_rng(23))
    gaps = find_gaps(sim.positions, sim.stretches)
    closed = gaps.loc[gaps["kind"] != "open", "gap_cm"].to_numpy()
    shares = spacing_shares(class_counts(closed, 16.0))
    fit = fit_planter(gaps, 16.0)
    # at this scatter no gap is in doubt, so the fit is the counted share of places; four standard errors of 600 places
    assert shares.multiples_pct == 0 and fit.double_share.value == 0
    for found in (100 * fit.skip_share.value, shares.misses_pct, 100 - shares.quality_of_feed_pct):
        assert found == pytest.approx(100 * (1 - p), abs=400 * math.sqrt(p * (1 - p) / 600))
    truth = sim.truth.sum(numeric_only=True)
    assert fit.skip_share.value == pytest.approx(truth["failed"] / truth["seed_places"], abs=0.004)
    assert fit.skip_share.low < 1 - p < fit.skip_share.high


def every_way(at, s, sd, skip, double, scale):
    """Likelihood of a few plants given the first, adding up every way to belong to places, written out.

    With all plants given to places, gaps between the places' plants are a normal vector with covariance D V D'.
    """
    beyond, beyond_var = scale * math.sqrt(2 / math.pi), scale**2 * (1 - 2 / math.pi)

    def ways(i):
        if i == len(at):
            yield []
        for kind, length in (("alone", 1), ("first", 2), ("second", 2)):
            if i + length <= len(at):
                for rest in ways(i + length):
                    yield [(kind, i), *rest]

    total = 0.0
    for way in ways(0):
        edges = [range(1)] * len(way)
        for end in (0, -1):
            if way[end][0] == "alone":
                edges[end] = range(2)  # or one of a pair whose other plant stands beyond
        for hidden in itertools.product(*edges):
            weight, mean, var = 1 / (1 + double), [], []
            for j, (kind, i) in enumerate(way):
                outer = j == 0 or j == len(way) - 1
                if kind == "alone":
                    weight *= (double / 2 if hidden[j] else 1 - double / 2) if outer else 1 - double
                    shift = (-beyond if j == 0 else beyond) if hidden[j] else 0.0
                    mean.append(at[i] + shift)
                    var.append(sd**2 + (beyond_var if hidden[j] else 0.0))
                else:
                    weight *= double / 2 * 2 * norm.pdf(at[i + 1] - at[i], scale=scale)
                    mean.append(at[i if kind == "first" else i + 1])
                    var.append(sd**2)
            if len(way) == 1:
                total += weight if way[0][0] != "alone" else 0.0
                continue
            difference = np.diff(np.eye(len(way)), axis=0)
            cov = difference @ np.diag(var) @ difference.T
            for steps in itertools.product((1, 2, 3, 4), repeat=len(way) - 1):
                k = np.array(steps)
                chance = np.prod((1 - skip) * skip ** (k - 1))
                total += weight * chance * multivariate_normal.pdf(np.diff(mean), k * s, cov)
    return math.log(total)


@pytest.mark.parametrize("scatter", [0.08, 0.15, 0.25])
def test_recursion_adds_up_every_way(scatter, monkeypatch):
    monkeypatch.setattr(likelihood, "BREAK", 0.0)
    none, no_rows = np.zeros(0), np.zeros(0, int)
    for at in ([0.0, 15.0, 18.5, 33.0], [0.0, 27.0, 35.0, 49.0], [0.0, 3.0, 17.0, 21.0]):
        gap = np.diff(at)
        rows = likelihood.build_rows(
            gap, np.zeros(len(gap)), np.zeros(len(gap), int), none, no_rows, none, none, no_rows, 1
        )
        values = (16.0, 16 * scatter, 0.08, 0.1, 3.2)
        parameters = likelihood.Parameters(*(np.array([[v]]) for v in values))
        ours = likelihood.log_likelihood(rows, parameters, likelihood.phases_for(scatter))[0, 0]
        # doubles farther apart than 4.5 scales are left out, 4e-5 of them
        assert ours == pytest.approx(every_way(at, *values), abs=1e-4)


def plain_log_likelihood(at, s, sd, skip, double, scale):
    """Likelihood of a short row given its first plant, over 80 phases of one grid of places, place by place.

    Written anew: places have absolute numbers, and each plant is tried on each of five.
    """
    at = np.asarray(at) - at[0]
    origin = (np.arange(80) + 0.5) / 80 * s
    beyond, beyond_sd = scale * math.sqrt(2 / math.pi), scale * math.sqrt(1 - 2 / math.pi)
    base = [np.rint((x - origin) / s) for x in at]
    number = [{k: base[i] + k for k in range(-2, 3)} for i in range(len(at))]

    def stands(i, k, shift=0.0, more=0.0):
        var = sd**2 + more**2
        return np.exp(-((at[i] + shift - origin - number[i][k] * s) ** 2) / (2 * var)) / math.sqrt(2 * math.pi * var)

    @cache
    def passes(i, a, j, b):
        steps = number[j][b] - number[i][a]
        return np.where(steps >= 1, (1 - skip) * skip ** np.maximum(steps - 1, 0), 0.0)

    sides, gap = range(-2, 3), np.diff(at)
    close = 2 * norm.pdf(gap, scale=scale)
    free = [{k: stands(0, k) for k in sides}]  # the plant of its place, none before it in doubt
    done = [{k: (1 - double / 2) * free[0][k] + double / 2 * stands(0, k, -beyond, beyond_sd) for k in sides}]
    for i in range(1, len(at)):
        come = {b: sum(done[i - 1][a] * passes(i - 1, a, i, b) for a in sides) for b in sides}
        free.append({b: come[b] * stands(i, b) for b in sides})
        now = {b: (1 - double) * free[i][b] for b in sides}
        for b in sides:
            # the second of a pair on the place of the plant before it
            same = sum(np.where(number[i - 1][a] == number[i][b], free[i - 1][a], 0.0) for a in sides)
            now[b] = now[b] + double / 2 * close[i - 1] * same
            if i == 1:
                jump = 1.0
            else:
                jump = sum(done[i - 2][a] * passes(i - 2, a, i, b) for a in sides)
            now[b] = now[b] + double / 2 * close[i - 1] * jump * stands(i, b)
        done.append(now)
    last = len(at) - 1
    come = {b: sum(done[last - 1][a] * passes(last - 1, a, last, b) for a in sides) for b in sides}
    end = sum(
        done[last][b] + double / 2 * free[last][b] + double / 2 * come[b] * stands(last, b, beyond, beyond_sd)
        for b in sides
    )
    return math.log(float(np.sum(end)) * s / 80 / (1 + double))


def test_second_implementation_with_another_optimiser(monkeypatch):
    monkeypatch.setattr(likelihood, "BREAK", 0.0)
    at = np.array([3.0, 21.0, 34.5, 53.0, 56.0, 67.0, 83.5, 117.0, 128.0, 131.0, 148.0, 161.5, 177.0])
    positions = pd.DataFrame(
        {"photo": "a", "plot": "a", "row": 1, "plant": np.arange(13) + 1, "position_cm": at, "source": "tape"}
    )
    # ends of unknown place: no open gaps
    stretches = pd.DataFrame({"photo": ["a"], "plot": "a", "row": 1, "plants": 13, "status": "ok"})
    gaps = find_gaps(tables.conform(tables.POSITIONS, positions), tables.conform(tables.STRETCHES, stretches))
    fit = fit_planter(gaps, 16.0)

    def away(t):
        s, sd, scale = np.exp(t[0]), np.exp(t[0] + t[1]), np.exp(t[0] + t[4])
        skip, double = 1 / (1 + np.exp(-t[2])), 1 / (1 + np.exp(-t[3]))
        # the beliefs the program states: spacing within 3 % of 16, scatter and distance of doubles vaguely
        beliefs = ((t[0] - np.log(16)) / maximum.GIVEN_WITHIN) ** 2 + ((t[1] - np.log(0.15)) / 2) ** 2
        beliefs += ((t[4] - np.log(maximum.DOUBLE_AT)) / maximum.DOUBLE_WITHIN) ** 2
        return beliefs / 2 - plain_log_likelihood(at, s, sd, skip, double, scale)

    start = np.array([np.log(16), np.log(0.12), -2.5, -1.7, np.log(0.2)])
    other = minimize(away, start, method="Nelder-Mead", options={"xatol": 3e-4, "fatol": 1e-6, "maxfev": 400})
    s, sd = np.exp(other.x[0]), np.exp(other.x[0] + other.x[1])
    assert fit.fitted_spacing_cm.value == pytest.approx(s, rel=2e-3)
    assert fit.skip_share.value == pytest.approx(1 / (1 + np.exp(-other.x[2])), abs=2e-3)
    assert fit.double_share.value == pytest.approx(1 / (1 + np.exp(-other.x[3])), abs=3e-3)
    # ours is freed of its small-sample bias: n / (n - 1) for the spacing, and the root's 1 / (4 n)
    assert fit.placement_sd_cm.value == pytest.approx(sd, rel=0.1)
    assert fit.placement_sd_cm.value > sd
