"""The correction that labels teach, on made plants."""

import numpy as np
import pandas as pd
import pytest

from standcam.plants.adapt import TERMS, adapt, logit, terms
from standcam.plants.traits import LOOKS, TRAITS
from standcam.settings import LabelSettings


def survey(rng, n=160, red_weeds=0.25, photos=4):
    """Plants in rows: all taken for crop at 0.6 to 0.95, a share of them weeds with redder leaves."""
    weed = rng.random(n) < red_weeds
    looks = {name: rng.normal(0, 0.1, n) for name in LOOKS}
    looks["red"] = rng.normal(0, 0.02, n) + np.where(weed, 0.15, 0.0)
    traits = pd.DataFrame({"off_line_cm": np.abs(rng.normal(0, 1, n)), "weed_near": 0.0, **looks})[list(TRAITS)]
    probability = rng.uniform(0.6, 0.95, n) - np.where(weed, 0.05, 0.0)
    return traits, probability, ~weed, np.arange(n) % photos


def fitted(seed, labelled, **options):
    traits, probability, crop, photo = survey(np.random.default_rng(seed), **options)
    x = terms(traits, probability, probability >= 0.5, photo)
    at = np.sort(np.random.default_rng(seed + 100).permutation(len(crop))[:labelled])
    return adapt(x, probability, at, crop[at], 0.5), probability, crop, at


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_labels_turn_red_weeds_out_and_leave_crop_in(seed):
    fit, _, crop, at = fitted(seed, 30)
    other = np.setdiff1d(np.arange(len(crop)), at)
    right = (fit.probability >= 0.5)[other] == crop[other]
    assert fit.used and fit.agree_after > fit.agree_before
    assert crop[other].mean() < 0.85 and right.mean() > 0.93
    assert (fit.probability >= 0.5)[other][crop[other]].mean() > 0.97


@pytest.mark.parametrize("labelled", [0, 1])
def test_without_labels_nothing_changes_to_the_bit(labelled):
    fit, probability, _, _ = fitted(5, labelled)
    assert not fit.used and (fit.weights == 0).all()
    np.testing.assert_array_equal(fit.probability, probability)


@pytest.mark.parametrize("seed", range(6))
def test_five_labels_where_nothing_is_wrong_do_no_harm(seed):
    fit, probability, crop, _ = fitted(seed, 5, red_weeds=0.0)
    assert crop.all()
    assert ((fit.probability >= 0.5) == (probability >= 0.5)).all()


def test_mistakes_alone_do_not_turn_the_crop_over():
    """Six weeds that look like all the rest, and no other label: what they have in common is nothing but chance."""
    traits, probability, _, photo = survey(np.random.default_rng(8), red_weeds=0.0)
    x = terms(traits, probability, probability >= 0.5, photo)
    fit = adapt(x, probability, np.arange(0, 60, 10), np.zeros(6, bool), 0.5)
    assert (fit.probability >= 0.5).mean() > 0.97


def test_weights_are_zero_at_the_prior_and_bounded_by_it():
    fit, *_ = fitted(2, 40)
    assert len(fit.weights) == len(TERMS)
    assert np.abs(fit.weights).max() < 3 * LabelSettings().weight_sd
    assert np.abs(fit.weights[:2]).max() < 3 * LabelSettings().shift_sd


def test_order_of_plants_does_not_matter():
    traits, probability, crop, photo = survey(np.random.default_rng(4))
    at = np.arange(0, 160, 5)
    order = np.random.default_rng(0).permutation(160)
    back = np.argsort(order)
    one = adapt(terms(traits, probability, probability >= 0.5, photo), probability, at, crop[at], 0.5)
    x = terms(traits.iloc[order].reset_index(drop=True), probability[order], probability[order] >= 0.5, photo[order])
    two = adapt(x, probability[order], back[at], crop[at], 0.5)
    np.testing.assert_allclose(two.probability[back], one.probability, atol=1e-9)


def test_terms_are_relative_to_the_crop_of_the_photo():
    """A shady photo shifts the colour of all of its plants alike, which must not tell them from others."""
    traits, probability, _, photo = survey(np.random.default_rng(6), red_weeds=0.0)
    shady = traits.assign(blue=traits["blue"] + np.where(photo == 2, 0.5, 0.0))
    crop = np.ones(len(photo), bool)
    blue = TERMS.index("blue")
    plain, moved = (terms(t, probability, crop, photo)[:, blue] for t in (traits, shady))
    # 0.5 are some five times the spread, cut at 4 and halved: 2.0 for each plant, were it not for the photo's own crop
    assert np.abs(moved - plain)[photo == 2].mean() < 0.75 and np.abs(plain).mean() > 0.1


def test_missing_looks_weigh_nothing():
    traits, probability, crop, photo = survey(np.random.default_rng(7))
    blank = traits.assign(**dict.fromkeys(LOOKS, np.nan))
    x = terms(blank, probability, crop, photo)
    assert np.isfinite(x).all() and (x[:, [TERMS.index(name) for name in LOOKS]] == 0).all()


def test_certain_probabilities_can_be_gainsaid():
    assert np.isfinite(logit(np.array([0.0, 1.0]))).all()
    np.testing.assert_allclose(logit(np.array([0.5, 0.75])), [0, np.log(3)])


def test_many_plants_without_labels_are_thinned():
    traits, probability, crop, photo = survey(np.random.default_rng(9), n=5000)
    x = terms(traits, probability, probability >= 0.5, photo)
    at = np.arange(0, 5000, 200)
    fit = adapt(x, probability, at, crop[at], 0.5, LabelSettings(most_anchors=300))
    assert fit.used and len(fit.probability) == 5000
