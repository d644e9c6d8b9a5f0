"""Days to 50 %, against the printed example of Farooq et al.'s formula."""

import numpy as np
import pytest

from standcam.visits.curve import crossing, emergence_curve

# seeds germinated on days 1 to 14, and t50 by the formulas of Coolbear et al. 1984 and Farooq et al. 2005, as the
# package germinationmetrics (CRAN) prints and tests them: seen in its tests/testthat/test-t50.R
GERMINATED = np.array([0, 0, 0, 0, 4, 17, 10, 7, 1, 0, 1, 0, 0, 0])
T50_FAROOQ = 5.94117647058824
T50_COOLBEAR = 5.97058823529412


def test_t50_of_farooq():
    days = np.arange(1.0, 15.0)
    cumulative = np.cumsum(GERMINATED)
    assert crossing(days, cumulative / cumulative[-1], 0.5)[0] == pytest.approx(T50_FAROOQ, rel=1e-12)
    # Coolbear's has (N + 1)/2 plants in place of N/2
    assert crossing(days, cumulative / cumulative[-1], 41 / 80)[0] == pytest.approx(T50_COOLBEAR, rel=1e-12)


def test_the_whole_road_gives_it_too():
    interval = np.repeat(np.arange(14), GERMINATED)
    curve = emergence_curve(interval, interval, np.arange(1.0, 15.0), np.zeros(40), resamples=50)
    assert curve.plants == 40
    assert curve.t50.days.value == pytest.approx(T50_FAROOQ, rel=1e-9)
    assert (curve.t50.after, curve.t50.by) == (5.0, 6.0)
    # by head: mean emergence time, sum(n D) / sum(n) = (4*5 + 17*6 + 10*7 + 7*8 + 9 + 11) / 40
    assert curve.mean_days == pytest.approx(268 / 40)
