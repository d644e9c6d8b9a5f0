"""The decision crop or not, adapted to one survey from the plants that a person has labelled.

A logistic correction: to the logit of each plant's probability comes a weighted sum of its traits. The weights are
found by maximum likelihood of the labels under two beliefs that nothing need change: weights are near zero (a normal
prior), and the plants without a label are by and large what they were taken for (``anchor``). Without labels the best
weights are all zero. Users label mistakes first, which would teach too much; see ``_counted_for``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from standcam.plants.traits import LOOKS
from standcam.settings import LabelSettings

TERMS = ("all", "logit", "off_line_cm", "weed_near", *LOOKS)
"""What is weighed: the same for all plants, the probability itself, then traits against the survey's crop."""

_SHRINK_PLANTS = 8.0
"""A photo's own crop plants, against those of the whole survey, weigh as n to this many: light and stage differ between
photos, and few plants tell little of them."""
_LEAST_SPREAD = {"area": 0.3, "leaf_width": 0.15, "spread": 0.15, "red": 0.03, "blue": 0.03}
_FARTHEST = 4.0
_SURE = 5.0
"""Logits beyond this are cut, so that labels can gainsay a locator that was certain."""
_LEAST_WRONG = 0.02
"""Share of decisions that are thought wrong at least, whatever the probabilities say (chosen by us)."""


@dataclass(frozen=True)
class Adapted:
    """Outcome of a fit."""

    probability: np.ndarray
    """Of all plants, the old one where nothing was adapted. (n,)"""
    weights: np.ndarray
    """Of ``TERMS``; zero where nothing was adapted."""
    agree_before: int
    """Labels that the decision agreed with before."""
    agree_after: int
    """The same after, each label judged by a fit to all the others (leave one out)."""
    loss_before: float
    """Mean of -log probability of the labels, each as it counts. [nat]"""
    loss_after: float
    """The same, leave one out. [nat]"""

    @property
    def used(self) -> bool:
        """Whether the correction foretells labels it has not seen better than no correction does."""
        return bool(self.weights.any())


def logit(probability: np.ndarray) -> np.ndarray:
    """Logarithm of the odds, cut where the locator was certain."""
    p = np.clip(np.asarray(probability, float), 1e-6, 1 - 1e-6)
    return np.clip(np.log(p / (1 - p)), -_SURE, _SURE)


def terms(traits: pd.DataFrame, probability: np.ndarray, is_crop: np.ndarray, photo: np.ndarray) -> np.ndarray:
    """What the correction weighs. (n, len(TERMS))

    Parameters
    ----------
    traits : DataFrame
        TRAITS of plants of a whole survey.
    probability : (n,) array
        How likely each is crop.
    is_crop : (n,) bool
    photo : (n,) int
        Which photo each is in.
    """
    own = logit(probability)
    columns = [
        np.ones(len(own)),
        own / 2,
        np.minimum(traits["off_line_cm"].to_numpy(float) / 2, _FARTHEST),
        2 * traits["weed_near"].to_numpy(float),
    ]
    for name in LOOKS:
        value = traits[name].to_numpy(float)
        away = value - _usual(value, is_crop, photo)
        known = away[is_crop & np.isfinite(away)]
        spread = 1.4826 * float(np.median(np.abs(known))) if len(known) else 0.0
        away = np.clip(away / max(spread, _LEAST_SPREAD[name]), -_FARTHEST, _FARTHEST)
        columns.append(np.nan_to_num(away) / 2)
    return np.stack(columns, axis=1)


def _usual(value: np.ndarray, is_crop: np.ndarray, photo: np.ndarray) -> np.ndarray:
    """Median of the crop plants of each plant's photo, drawn to that of the survey where they are few. (n,)"""
    good = is_crop & np.isfinite(value)
    if not good.any():
        good = np.isfinite(value)
    if not good.any():
        return np.zeros(len(value))
    survey = float(np.median(value[good]))
    usual = np.full(len(value), survey)
    for k in np.unique(photo):
        own = value[good & (photo == k)]
        if len(own):
            share = len(own) / (len(own) + _SHRINK_PLANTS)
            usual[photo == k] = survey + share * (float(np.median(own)) - survey)
    return usual


def adapt(
    x: np.ndarray,
    probability: np.ndarray,
    labelled: np.ndarray,
    crop: np.ndarray,
    threshold: float,
    settings: LabelSettings | None = None,
) -> Adapted:
    """Fit the correction to the labels, and use it only where it foretells labels left out of it markedly better.

    Parameters
    ----------
    x : (n, k) array
        From :func:`terms`.
    probability : (n,) array
        How likely each plant is crop, before.
    labelled : (m,) int
        Plants with a label, each once.
    crop : (m,) bool
        What the label says.
    threshold : float
        Probability from which a plant counts as crop.
    settings : LabelSettings, optional
    """
    settings = settings or LabelSettings()
    base = logit(probability)
    target = np.asarray(crop, float)
    free = np.setdiff1d(np.arange(len(base)), labelled)
    if len(free) > settings.most_anchors:  # evenly over the survey; more would only cost time
        free = free[np.linspace(0, len(free) - 1, settings.most_anchors).astype(int)]
    said = _Labels(np.asarray(labelled, int), target, _counted_for(base, labelled, target, free, settings))
    before = np.asarray(probability, float)[labelled]
    agree_before = int(((before >= threshold) == (target > 0.5)).sum())
    loss_before = _loss(base[labelled], said)
    unchanged = Adapted(
        np.asarray(probability, float), np.zeros(x.shape[1]), agree_before, agree_before, loss_before, loss_before
    )
    if len(labelled) < 2:
        return unchanged
    left = np.empty(len(labelled))
    for i in range(len(labelled)):
        left[i] = base[labelled[i]] + x[labelled[i]] @ _fit(x, base, said.without(i), free, settings)
    agree_after = int(((left >= logit(np.array(threshold))) == (target > 0.5)).sum())
    loss_after = _loss(left, said)
    gain = (loss_before - loss_after) * float(said.weight.sum())
    if gain <= settings.least_gain or agree_after < agree_before:
        return replace(unchanged, agree_after=agree_after, loss_after=loss_after)
    weights = _fit(x, base, said, free, settings)
    return Adapted(_expit(base + x @ weights), weights, agree_before, agree_after, loss_before, loss_after)


@dataclass(frozen=True)
class _Labels:
    """Plants with a label, what it says (1 crop, 0 not), and what it counts for."""

    at: np.ndarray
    target: np.ndarray
    weight: np.ndarray

    def without(self, i: int) -> _Labels:
        return _Labels(*(np.delete(values, i) for values in (self.at, self.target, self.weight)))


def _counted_for(
    base: np.ndarray, labelled: np.ndarray, target: np.ndarray, free: np.ndarray, settings: LabelSettings
) -> np.ndarray:
    """What each label counts for: 1, less for labels that gainsay the decision where these are oddly many.

    People label what they see marked wrongly. Such a choice of labels says nothing of how often the decision is
    wrong; the probabilities of the plants without a label do.
    """
    gainsays = (base[labelled] >= 0) != (target > 0.5)
    was = _expit(base[free])
    expected = max(float(np.minimum(was, 1 - was).mean()) if len(free) else 0.0, _LEAST_WRONG)
    share = float(gainsays.mean()) if len(gainsays) else 0.0
    return np.where(gainsays & (share > 0), min(1.0, settings.odd_share * expected / max(share, 1e-9)), 1.0)


def _fit(x: np.ndarray, base: np.ndarray, said: _Labels, free: np.ndarray, settings: LabelSettings) -> np.ndarray:
    """Weights of greatest posterior density, by Newton's method on a convex function. (k,)"""
    rows = np.concatenate([said.at, free])
    x, base = x[rows], base[rows]
    was = _expit(base[len(said.at) :])
    wanted = np.concatenate([said.target, was])
    # where the locator itself was in two minds there is little to hold on to
    sure = np.abs(2 * was - 1)
    weight = np.concatenate([said.weight, settings.anchor * sure / max(float(sure.sum()), 1e-9)])
    precision = np.full(x.shape[1], settings.weight_sd**-2.0)
    precision[:2] = settings.shift_sd**-2.0

    def cost(w: np.ndarray) -> float:
        z = base + x @ w
        return float(weight @ (np.logaddexp(0, z) - wanted * z) + 0.5 * precision @ w**2)

    w = np.zeros(x.shape[1])
    least = cost(w)
    for _ in range(50):
        p = _expit(base + x @ w)
        slope = x.T @ (weight * (p - wanted)) + precision * w
        bend = (x * (weight * p * (1 - p))[:, None]).T @ x + np.diag(precision)
        step = np.linalg.solve(bend, slope)
        while cost(w - step) > least and np.abs(step).max() > 1e-9:
            step = step / 2
        w, moved = w - step, float(np.abs(step).max())
        least = cost(w)
        if moved < 1e-8:
            break
    return w


def _expit(z: np.ndarray) -> np.ndarray:
    return 1 / (1 + np.exp(-z))


def _loss(z: np.ndarray, said: _Labels) -> float:
    if not len(z):
        return 0.0
    return float(np.average(np.logaddexp(0, z) - said.target * z, weights=said.weight))
