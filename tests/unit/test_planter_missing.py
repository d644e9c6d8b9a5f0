from __future__ import annotations

import numpy as np
import pytest

from standcam.errors import BadSettings
from standcam.estimate import Estimate
from standcam.planter.missing import split_missing

SHARE = Estimate(0.10, 0.085, 0.117)


def test_spacing_alone_cannot_tell():
    split = split_missing(SHARE, 1400)
    assert split.skipped is split.failed is split.most_skipped is None and split.basis == "spacing alone"
    assert "Spacing alone cannot tell" in split.sentences[0] and "Dig 20 gaps" in split.sentences[0]


def test_dig_count():
    split = split_missing(SHARE, 1400, dug=40, seed_found=30)
    assert split.skipped.value == pytest.approx(0.025) and split.failed.value == pytest.approx(0.075)
    # what was dropped: 97.5 of 100 places; 90 of them have a plant
    assert split.emergence.value == pytest.approx(0.90 / 0.975)
    assert split.skipped.low < 0.025 < split.skipped.high < 0.05
    assert split.basis == "dig"


def test_all_and_none():
    every, none = (split_missing(SHARE, 1400, dug=20, seed_found=k) for k in (20, 0))
    assert every.skipped.value == 0 and every.skipped.high > 0.005 and every.failed.value == pytest.approx(0.10)
    assert none.failed.value == 0 and none.emergence.value == pytest.approx(1) and none.emergence.low < 1


def test_more_digging_narrows():
    few, many = (split_missing(SHARE, 1400, dug=n, seed_found=n // 2).skipped for n in (6, 60))
    assert many.high - many.low < 0.6 * (few.high - few.low)
    assert "few" in " ".join(split_missing(SHARE, 1400, dug=6, seed_found=3).sentences)


def test_germination_explains_or_not():
    enough = split_missing(SHARE, 1400, germination=0.90)
    assert enough.beyond_germination_p > 0.3 and enough.most_skipped.value == pytest.approx(0)
    assert "does not prove" in enough.sentences[0]
    beyond = split_missing(SHARE, 1400, germination=0.97)
    assert beyond.beyond_germination_p < 0.001
    assert beyond.most_skipped.value == pytest.approx(1 - 0.90 / 0.97)
    assert "more than that explains" in beyond.sentences[0]


def test_doubt_of_the_germination_test_is_carried():
    sure = split_missing(SHARE, 1400, germination=0.95, germination_seeds=40_000)
    unsure = split_missing(SHARE, 1400, germination=0.95, germination_seeds=50)
    assert unsure.beyond_germination_p > sure.beyond_germination_p
    assert unsure.most_skipped.high - unsure.most_skipped.low > sure.most_skipped.high - sure.most_skipped.low


def test_soil_losses_beyond_germination():
    split = split_missing(Estimate(0.20, 0.18, 0.22), 2000, germination=0.97, dug=60, seed_found=58)
    assert "lost in the soil" in split.sentences[-1]


def test_intervals_cover():
    # true: 4 % skipped, 94 % of dropped seed comes up
    rng = np.random.default_rng(7)
    skipped, n, dug, hits = 0.04, 1200, 40, 0
    missing = skipped + (1 - skipped) * 0.06
    seed_share = (1 - skipped) * 0.06 / missing
    for i in range(200):
        m = rng.binomial(n, missing) / n
        half = 1.96 * np.sqrt(m * (1 - m) / n)
        found = rng.binomial(dug, seed_share)
        split = split_missing(Estimate(m, m - half, m + half), n, dug=dug, seed_found=found, seed=i)
        hits += split.skipped.low <= skipped <= split.skipped.high
    assert 0.91 <= hits / 200 <= 0.995


def test_no_missing_plants():
    split = split_missing(Estimate(0.0, 0.0, 0.003), 1200, germination=0.95, dug=2, seed_found=1)
    assert split.skipped.value == 0 and split.skipped.high < 0.01


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"dug": 5}, "two numbers"),
        ({"dug": 5, "seed_found": 6}, "6 of 5 gaps"),
        ({"germination": 1.2}, "120 %"),
    ],
)
def test_nonsense_is_refused(options, message):
    with pytest.raises(BadSettings, match=message):
        split_missing(SHARE, 100, **options)


def test_unknown_share():
    split = split_missing(Estimate(float("nan")), 0)
    assert split.skipped is None and split.sentences == ("Missing plants could not be counted.",)
