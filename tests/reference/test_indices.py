"""Spacing indices against published patterns and formulas; sources stand beside each check."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from standcam.settings import SpacingSettings
from standcam.spacing import metrics
from standcam.summarise import summarise

DATA = Path(__file__).parent / "data"
FORM_B = ["multiples_intervals_pct", "quality_of_feed_intervals_pct", "misses_intervals_pct"]

# Liu et al. 2004, Crop Sci. 44:847-854: treatments of six plants on 120 cm, uniform spacing 20 cm. Spacings
# follow from the design. The last is the double of about 3 cm beside a gap of about 38 cm in the Ontario
# Agronomy Guide.
# gaps; mean; SD n-1; form A doubles, singles, skips; N'; form B doubles, singles, skips; as printed
PATTERNS = {
    "uniform": ([20] * 6, 20, 0.0, (0, 100, 0), 6, (0, 100, 0)),
    "gap with double": ([0, 40, 20, 20, 20, 20], 20, 12.649, (16.67, 66.67, 16.67), 6, (16.67, 66.67, 16.67)),
    "gap with triple": ([0, 0, 60, 20, 20, 20], 20, 21.909, (33.33, 50.00, 16.67), 6, (33.33, 33.33, 33.33)),
    "near double": ([3, 38, 20, 20, 20, 20], 20.167, 11.071, (16.67, 66.67, 16.67), 6, (16.67, 66.67, 16.67)),
}


def summary_of(gaps, nominal, width=75.0):
    place = np.concatenate([[0.0], np.cumsum(gaps)])
    positions = pd.DataFrame(
        {"photo": "a", "plot": "a", "row": 1, "plant": np.arange(len(place)) + 1, "position_cm": place}
    )
    stretches = pd.DataFrame(
        {
            "photo": ["a"],
            "plot": "a",
            "row": 1,
            "from_cm": -10.0,
            "to_cm": place[-1] + 10,
            "plants": len(place),
        }
    ).assign(status="ok")
    return summarise(positions, stretches, SpacingSettings(nominal_spacing_cm=nominal, row_width_cm=width))


@pytest.mark.parametrize("name", PATTERNS)
def test_six_plant_patterns(name):
    gaps, mean, sd, share_a, intervals, share_b = PATTERNS[name]
    row = summary_of(gaps, 20.0).rows.iloc[0]
    assert row["mean_gap_cm"] == pytest.approx(mean, abs=5e-4)
    assert row["sd_gap_cm"] == pytest.approx(sd, abs=5e-4)
    assert tuple(row[["multiples_pct", "quality_of_feed_pct", "misses_pct"]]) == pytest.approx(share_a, abs=5e-3)
    counts = metrics.class_counts(gaps, 20.0)
    assert metrics.interval_counts(counts)[3] == intervals
    b = metrics.interval_shares(counts)
    assert (b.multiples_pct, b.quality_of_feed_pct, b.misses_pct) == pytest.approx(share_b, abs=5e-3)
    assert tuple(row[FORM_B]) == pytest.approx(share_b, abs=5e-3)


def test_missing_seeds_of_the_patterns():
    # by design: one plant of six moved onto its neighbour leaves one place empty, two moved leave two (Liu et al. 2004)
    missing = {name: summary_of(p[0], 20.0).rows["missing_seeds"].iloc[0] for name, p in PATTERNS.items()}
    assert missing == {"uniform": 0, "gap with double": 1, "gap with triple": 2, "near double": 1}


def test_forms_are_named_and_differ():
    counts = metrics.class_counts(PATTERNS["gap with triple"][0], 20.0)
    a, b = metrics.spacing_shares(counts), metrics.interval_shares(counts)
    assert "form A" in a.form and "form B" in b.form
    assert a.quality_of_feed_pct == pytest.approx(50) and b.quality_of_feed_pct == pytest.approx(100 / 3)


@pytest.mark.parametrize("unit", [1.0, 2.54])
def test_constructed_list(unit):
    """Our own list with gaps exactly on class edges, in inches and turned into centimetres."""
    gaps = pd.read_csv(DATA / "constructed_spacings.csv")["spacing_in"].to_numpy() * unit
    row = summary_of(gaps, 6.5 * unit).rows.iloc[0]
    assert list(metrics.class_counts(gaps, 6.5 * unit)) == [3, 17, 3, 1, 0]
    assert row["mean_gap_cm"] / unit == pytest.approx(7.3625, abs=5e-5)
    assert row["sd_gap_cm"] / unit == pytest.approx(3.75269, abs=5e-6)
    assert row["cv_pct"] == pytest.approx(50.97, abs=5e-3)
    assert row["multiples_pct"] == pytest.approx(12.5, abs=5e-4)
    assert row["quality_of_feed_pct"] == pytest.approx(70.833, abs=5e-4)
    assert row["misses_pct"] == pytest.approx(16.667, abs=5e-4)
    assert row["precision_pct"] == pytest.approx(14.069, abs=5e-4)
    assert metrics.precision_pct(gaps, 6.5 * unit) == pytest.approx(row["precision_pct"])
    b = metrics.interval_shares(metrics.class_counts(gaps, 6.5 * unit))
    assert (b.multiples_pct, b.quality_of_feed_pct, b.misses_pct) == pytest.approx((11.538, 69.231, 19.231), abs=5e-4)
    assert tuple(row[FORM_B]) == pytest.approx((11.538, 69.231, 19.231), abs=5e-4)
    assert row["missing_seeds"] == 3 + 2 * 1  # three single skips and a double one; N' = 26 less 21 places filled
    # sorted, the 6th and 7th are 6.0 and 6.1, the 12th and 13th 6.5 and 6.6, the 18th and 19th 7.1 and 7.4
    assert tuple(row[["q1_gap_cm", "median_gap_cm", "q3_gap_cm"]] / unit) == pytest.approx((6.075, 6.55, 7.175))


def test_published_indices_add_up():
    """Kus 2021, J. Agric. Sci.: maize at 4.0 km/h, misses 5.1, multiples 2.9, quality of feed 92 %."""
    shares = metrics.spacing_shares(np.array([29, 920, 40, 8, 3]))
    assert float(shares.misses_pct) == pytest.approx(5.1)
    assert float(shares.multiples_pct) == pytest.approx(2.9)
    assert float(shares.quality_of_feed_pct) == pytest.approx(92.0)


def test_precision_of_evenly_spread_singles():
    # uniform over the class of singles: SD 1/sqrt(12), 28.87 %, near the practical limit of 29 % that
    # Kachman and Smith 1995 give (from memory)
    gaps = np.linspace(0.5, 1.5, 20_001)[1:] * 20
    assert metrics.precision_pct(gaps, 20.0) == pytest.approx(100 / np.sqrt(12), abs=0.01)


@pytest.mark.parametrize(
    ("emerged", "scatter", "mean", "sd"),
    [
        (0.95, 0.0, 6.842, 1.530),
        (0.95, 1.0, 6.842, 2.083),
        (0.90, 0.0, 7.222, 2.284),
        (0.90, 1.0, 7.222, 2.686),
        (0.85, 0.0, 7.647, 2.962),
    ],
)
def test_ideal_planter_with_failed_seeds(emerged, scatter, mean, sd):
    # seeds 6.5 in apart, each emerging on its own with probability p: mean s / p, SD s sqrt(1 - p) / p, plus
    # 2 sg² of variance for scatter of places (closed form, derived). Tolerance: four standard errors.
    rng = np.random.default_rng(20)
    n = 60_000
    place = np.arange(n) * 6.5 + rng.normal(0, scatter, n)
    gaps = np.diff(place[rng.random(n) < emerged])
    row = summary_of(gaps, 6.5).rows.iloc[0]
    se = sd / np.sqrt(len(gaps))
    assert row["mean_gap_cm"] == pytest.approx(mean, abs=4 * se + 5e-4)
    assert row["sd_gap_cm"] == pytest.approx(sd, abs=4 * se * 2 + 5e-4)
    if scatter == 0:
        share_se = 100 * np.sqrt(emerged * (1 - emerged) / len(gaps))
        assert row["multiples_pct"] == 0
        assert row["quality_of_feed_pct"] == pytest.approx(100 * emerged, abs=4 * share_se)
