"""What must not change in the fit of a planter, whatever the rows."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from standcam.planter.likelihood import _block_sizes
from standcam.planter.maximum import mid_p
from standcam.planter.mixture import fit_planter, gap_classes
from standcam.planter.simulate import KnownPlanter, simulate_rows
from standcam.spacing.metrics import find_gaps

FEW = settings(max_examples=10, deadline=None, derandomize=True, phases=[Phase.explicit, Phase.generate])
NAMES = ("skip_share", "double_share", "placement_sd_cm", "fitted_spacing_cm")


def a_planter(spacing, scatter, skip, double):
    return KnownPlanter(spacing, skip, double, scatter * spacing, 0.98, (0.06 * spacing, 0.3 * spacing))


# rows with a rhythm: without one, two spacings may fit alike, and rounding decides
planters = st.builds(a_planter, st.floats(4, 30), st.floats(0.05, 0.2), st.floats(0, 0.2), st.floats(0, 0.15))
seeds = st.integers(0, 10**6)
givens = st.booleans()


def simulated(planter, seed, rows=2, plants=30):
    return simulate_rows(planter, rows, plants * planter.spacing_cm, np.random.default_rng(seed))


def fit(positions, stretches, nominal, **more):
    return fit_planter(find_gaps(positions, stretches), nominal, **more)


def assert_same(one, two, factor=1.0, rel=1e-5):
    assert one.converged == two.converged and one.gaps == two.gaps and len(one.notes) == len(two.notes)
    for name in NAMES:
        a, b = getattr(one, name), getattr(two, name)
        by = factor if name.endswith("_cm") else 1.0
        assert (b.value, b.low, b.high) == pytest.approx(
            (a.value * by, a.low * by, a.high * by), rel=rel, abs=rel / 10, nan_ok=True
        )


@FEW
@given(planters, seeds, givens)
def test_reversing_rows_changes_nothing(planter, seed, known):
    sim = simulated(planter, seed)
    nominal = planter.spacing_cm if known else None
    length = sim.stretches["to_cm"].iloc[0]
    turned = sim.positions.assign(position_cm=length - sim.positions["position_cm"])
    # phases are counted from the first plant, and summing over them errs by 3e-4 of the likelihood at most
    assert_same(fit(sim.positions, sim.stretches, nominal), fit(turned, sim.stretches, nominal), rel=1e-3)


@FEW
@given(planters, seeds, givens, st.floats(-500, 500))
def test_shifting_rows_changes_nothing(planter, seed, known, by):
    sim = simulated(planter, seed)
    nominal = planter.spacing_cm if known else None
    moved = sim.positions.assign(position_cm=sim.positions["position_cm"] + by)
    ends = sim.stretches.assign(from_cm=sim.stretches["from_cm"] + by, to_cm=sim.stretches["to_cm"] + by)
    assert_same(fit(sim.positions, sim.stretches, nominal), fit(moved, ends, nominal))


@FEW
@given(planters, seeds, givens, st.floats(0.3, 3))
def test_scaling_scales(planter, seed, known, by):
    sim = simulated(planter, seed)
    nominal = planter.spacing_cm if known else None
    scaled = sim.positions.assign(position_cm=sim.positions["position_cm"] * by)
    ends = sim.stretches.assign(to_cm=sim.stretches["to_cm"] * by)
    assert_same(
        fit(sim.positions, sim.stretches, nominal), fit(scaled, ends, nominal * by if known else None), factor=by
    )


@FEW
@given(planters, seeds)
def test_order_of_rows_and_gaps_changes_nothing(planter, seed):
    sim = simulated(planter, seed, rows=3)
    gaps = find_gaps(sim.positions, sim.stretches)
    shuffled = gaps.sample(frac=1, random_state=seed % 2**31).reset_index(drop=True)
    renamed = shuffled.assign(row=4 - shuffled["row"])
    error = 0.05 * planter.spacing_cm
    one = fit_planter(gaps, planter.spacing_cm, gap_error_sd_cm=error)
    assert_same(one, fit_planter(renamed, planter.spacing_cm, gap_error_sd_cm=np.full(len(gaps), error)))


@FEW
@given(planters, seeds, givens)
def test_what_comes_out_makes_sense(planter, seed, known):
    sim = simulated(planter, seed, rows=1, plants=20)
    found = fit(sim.positions, sim.stretches, planter.spacing_cm if known else None)
    if not found.known:
        return
    for share in (found.skip_share, found.double_share):
        assert 0 <= share.low <= share.value <= share.high <= 1
    assert 0 <= found.placement_sd_cm.low <= found.placement_sd_cm.value <= found.placement_sd_cm.high
    classes = gap_classes(found, np.linspace(0, 200, 50))
    assert classes.sum(axis=1) == pytest.approx(1) and (classes >= 0).all()


@FEW
@given(planters, seeds)
def test_the_same_rows_twice_are_the_same_planter_known_better(planter, seed):
    sim = simulated(planter, seed, rows=3)
    gaps = find_gaps(sim.positions, sim.stretches)
    again = pd.concat([gaps, gaps.assign(plot="again")], ignore_index=True)
    one, two = (fit_planter(g, planter.spacing_cm) for g in (gaps, again))
    assert two.gaps == 2 * one.gaps
    # what is believed beforehand weighs half as much
    assert two.skip_share.value == pytest.approx(one.skip_share.value, abs=0.02)
    assert two.skip_share.high - two.skip_share.low < one.skip_share.high - one.skip_share.low


@given(st.integers(1, 400), st.integers(1, 20))
@settings(deadline=None, derandomize=True)
def test_blocks_are_the_same_from_either_end(gaps, about):
    sizes = _block_sizes(gaps, about)
    assert sum(sizes) == gaps and sizes == sizes[::-1] and min(sizes) > 0


@given(st.floats(0, 1), st.floats(1, 1000), st.floats(0.5, 0.99))
@settings(deadline=None, derandomize=True)
def test_mid_p_holds_its_share_and_mirrors(share, places, level):
    low, high = mid_p(share, places, level)
    assert 0 <= low <= share + 1e-6 and share - 1e-6 <= high <= 1
    assert mid_p(1 - share, places, level) == pytest.approx((1 - high, 1 - low), abs=1e-5)
