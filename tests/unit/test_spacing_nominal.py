import numpy as np
import pytest

from standcam.settings import SpacingSettings
from standcam.spacing.nominal import MIN_GAPS, estimate_spacing, theoretical_spacing


def planted(seed, n, skips, doubles, cv, spacing=20.0):
    """Gaps of a simulated row: seed places with scatter, some not emerged, some with a second plant."""
    rng = np.random.default_rng(seed)
    place = np.arange(4 * n + 20) * spacing
    place = place[rng.random(len(place)) >= skips]
    place = place + rng.normal(0, cv * spacing / np.sqrt(2), len(place))
    second = place[rng.random(len(place)) < doubles]
    return np.diff(np.sort(np.concatenate([place, second + rng.uniform(0.02, 0.3, len(second)) * spacing])))[:n]


def errors_pct(n, skips, doubles, cv, runs):
    found = [estimate_spacing(planted([seed, n], n, skips, doubles, cv)) for seed in range(runs)]
    return 100 * (np.array(found) / 20.0 - 1)


# The limits are about one and a half times what was measured, so that a worse method fails and luck does not.
@pytest.mark.parametrize(("n", "bias", "nine_in_ten"), [(8, 4.0, 25.0), (30, 1.5, 7.0), (200, 0.7, 2.2)])
def test_error_on_a_usual_stand(n, bias, nine_in_ten):
    """Skips 5 %, doubles 3 %, singles with a CV of 25 %."""
    error = errors_pct(n, 0.05, 0.03, 0.25, 60)
    assert abs(error.mean()) < bias
    assert np.percentile(abs(error), 90) < nine_in_ten


def test_a_thin_stand_does_not_stretch_the_spacing():
    """Four of ten seeds missing: the median gap is 17 % too long there, the rhythm is not."""
    error = errors_pct(200, 0.4, 0.03, 0.2, 20)
    assert np.percentile(abs(error), 90) < 2.0
    medians = [np.median(planted([seed, 200], 200, 0.4, 0.03, 0.2)) / 20 - 1 for seed in range(20)]
    assert np.mean(medians) > 0.1


def test_many_doubles_do_not_shrink_it():
    assert np.percentile(abs(errors_pct(100, 0.05, 0.15, 0.15, 20)), 90) < 3.0


def test_a_perfect_row():
    assert estimate_spacing(np.full(8, 17.3)) == pytest.approx(17.3)


def test_one_skip_in_a_short_row():
    assert estimate_spacing(np.array([19, 21, 40, 20, 20.5, 19.5])) == pytest.approx(20, abs=0.5)


def test_thousands_of_gaps_are_binned_without_harm():
    gaps = planted(5, 20_000, 0.05, 0.03, 0.2)
    assert estimate_spacing(gaps) == pytest.approx(20, rel=0.007)


def test_a_far_gap_does_not_matter():
    gaps = planted(3, 60, 0.05, 0.03, 0.15)
    assert estimate_spacing(np.append(gaps, 3000.0)) == pytest.approx(estimate_spacing(gaps), rel=0.01)


@pytest.mark.parametrize("gaps", [[], [20.0] * (MIN_GAPS - 1), [np.nan] * 9, [0.0] * 9])
def test_too_few_give_none(gaps):
    assert np.isnan(estimate_spacing(np.array(gaps)))
    nominal = theoretical_spacing(np.array(gaps), SpacingSettings())
    assert np.isnan(nominal.spacing_cm) and nominal.source == "unknown"


def test_given_goes_before_rate_before_gaps():
    gaps = np.full(20, 30.0)
    everything = SpacingSettings(nominal_spacing_cm=18, seeding_rate_per_ha=80_000, row_width_cm=75)
    assert theoretical_spacing(gaps, everything).source == "given"
    assert theoretical_spacing(gaps, everything).spacing_cm == 18
    by_rate = theoretical_spacing(gaps, SpacingSettings(seeding_rate_per_ha=80_000, row_width_cm=75))
    assert by_rate.source == "seeding_rate" and by_rate.spacing_cm == pytest.approx(100 / 6)
    # a rate without a row width tells nothing
    estimated = theoretical_spacing(gaps, SpacingSettings(seeding_rate_per_ha=80_000))
    assert estimated.source == "estimated" and estimated.spacing_cm == pytest.approx(30)
