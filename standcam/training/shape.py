"""Fitting the scoring cards of the locator by shape, on photos and scenes with known stems.

``python -m standcam.training.shape OUT.json --folder DIR --made 24`` fits on all of them. With ``--folds 5`` cards are
also fitted with every fifth photo left out in turn (OUT.fold0.json and so on), to be judged on the photos left out.
The peaks' cards are always fitted with places judged by cards that have not seen the photo.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from standcam.ground.calibrate import calibrate
from standcam.ground.map import GroundMap
from standcam.images.photo import Photo
from standcam.plants.rivals import rivals
from standcam.plants.shape_card import Card, Cards
from standcam.plants.shape_peaks import (
    BASE_MEASURES,
    PEAK_MEASURES,
    Peaks,
    bases,
    peak_measures,
    peaks_of,
    shared_out,
)
from standcam.plants.shape_places import MEASURES, SHEET_CM, Places, measures, places_on
from standcam.plants.view import view_of
from standcam.rows.find import field_of
from standcam.settings import Settings
from standcam.training.calibrate import fit as fit_calibration
from standcam.training.calibrate import left_out, made
from standcam.vegetation.segment import segment

TURNERS = ("half_width", "drawn_out", "lean")
"""Measures with which the points of others change: broad leaves and narrow ones, seen from above and from the side."""
IS_STEM_CM, IS_NONE_CM = 1.1, 2.2
"""Places nearer to a base than the first are its place, farther than the second are none; between, nothing is asked."""
HIT_CM = 3.0
"""A peak finds a plant within this."""
MOST_ROWS = 80_000
"""Places fitted on, evenly drawn from all."""
OFF_ROW_WEIGHT = 0.3
"""Weight of peaks farther than 6 cm from any crop row, which the row weighs down later."""


@dataclass
class Example:
    """One photo, measured."""

    places: Places
    measured: np.ndarray
    base_cm: np.ndarray
    """True bases that show, along the sheet's axes. (m, 2) [cm]"""
    is_crop: np.ndarray
    row: np.ndarray
    """Number of the row of each, NaN for weeds. (m,)"""
    fold: int


def example(photo: Photo, true: GroundMap, truth: pd.DataFrame, fold: int, own_scale: bool) -> Example | None:
    """Measure a photo, on the scale it gives itself or on the true one; None where nothing can be resolved."""
    settings = Settings()
    ground = calibrate(photo, settings.calibration) if own_scale else true
    field = field_of(ground, settings.rows)
    if not len(field.points_cm):
        return None
    vegetation = segment(photo, ground, settings.vegetation)
    places = places_on(field.points_cm, vegetation, ground, view_of(ground), settings.stems)
    base = places.frame.to_sheet(ground.to_ground(truth[["x_px", "y_px"]].to_numpy(float))) * SHEET_CM
    shown = (truth["n_px"] >= 15).to_numpy() & np.isfinite(base).all(axis=1)
    values = measures(places)
    object.__setattr__(places, "rays", np.empty(0))  # no longer needed, and large
    crop = (truth["kind"] != "weed").to_numpy()
    row = truth["row_id"].to_numpy(float)
    return Example(places, values, base[shown], crop[shown], row[shown], fold)


def place_labels(e: Example) -> np.ndarray:
    """1 for places at a base, 0 for others, -1 where nothing is asked. (n,)"""
    from scipy.spatial import cKDTree

    label = np.zeros(len(e.places))
    if not len(e.places) or not len(e.base_cm):
        return label
    away, which = cKDTree(e.base_cm).query(e.places.xy_cm)
    label[away < IS_NONE_CM] = -1
    label[away < IS_STEM_CM] = 1
    tree = cKDTree(e.places.xy_cm)
    for k in np.setdiff1d(np.arange(len(e.base_cm)), which[label == 1]):
        gap, nearest = tree.query(e.base_cm[k])
        if gap < HIT_CM:
            label[nearest] = 1
    return label


def found(e: Example, at_cm: np.ndarray, probability: np.ndarray, crop: bool) -> np.ndarray:
    """Index of the plant each peak finds, one to one, likelier peaks preferred; -1 for none. (n,)"""
    from scipy.optimize import linear_sum_assignment

    out = np.full(len(at_cm), -1)
    wanted = np.flatnonzero(e.is_crop == crop)
    if len(wanted) and len(at_cm):
        away = np.linalg.norm(at_cm[:, None] - e.base_cm[wanted][None], axis=2)
        cost = np.where(away < HIT_CM, away - HIT_CM * probability[:, None], 1e3)
        i, j = linear_sum_assignment(cost)
        good = cost[i, j] < 999
        out[i[good]] = wanted[j[good]]
    return out


def off_row_cm(e: Example, at_cm: np.ndarray) -> np.ndarray:
    """Distance of each peak to the nearest crop row of three plants or more. (n,)"""
    off = np.full(len(at_cm), np.inf)
    for row in np.unique(e.row[e.is_crop & np.isfinite(e.row)]):
        members = e.base_cm[e.is_crop & (e.row == row)]
        if len(members) >= 3:
            middle = members.mean(axis=0)
            along = np.linalg.svd(members - middle)[2][0]
            off = np.minimum(off, np.abs((at_cm - middle) @ [-along[1], along[0]]))
    return off


def fit_card(
    names: tuple[str, ...],
    values: np.ndarray,
    label: np.ndarray,
    weight: np.ndarray,
    turners: tuple[str, ...],
    ridge: float,
) -> Card:
    """Logistic regression on a card's terms, by maximum likelihood with a ridge."""
    from scipy.optimize import minimize

    low, bend, high = np.quantile(values, [0.02, 0.5, 0.98], axis=0)
    m = len(names)
    blank = Card(names, low, bend, high, 0.0, np.zeros(m), np.zeros(m))
    whole, above = blank.terms(values)
    chosen = [names.index(name) for name in turners]
    x = np.concatenate([whole, above, *(whole * whole[:, [k]] for k in chosen)], axis=1)
    middle, spread = x.mean(axis=0), x.std(axis=0) + 1e-3
    x = ((x - middle) / spread).astype(np.float32)
    sign = np.where(label > 0, 1.0, -1.0)

    def miss(w: np.ndarray) -> tuple[float, np.ndarray]:
        margin = sign * (x @ w[1:].astype(np.float32) + w[0])
        slope = -weight * sign / (1 + np.exp(np.clip(margin, -50, 50)))
        loss = float((weight * np.logaddexp(0, -margin)).sum() + ridge * (w[1:] ** 2).sum())
        gradient = np.r_[slope.sum(), slope.astype(np.float32) @ x + 2 * ridge * w[1:]]
        return loss, gradient

    w = minimize(miss, np.zeros(x.shape[1] + 1), jac=True, method="L-BFGS-B", options={"maxiter": 120}).x
    points = w[1:] / spread
    turn = points[2 * m :].reshape(len(chosen), m).T if chosen else None
    return Card(names, low, bend, high, float(w[0] - points @ middle), points[:m], points[m : 2 * m], turners, turn)


def fit_places(examples: list[Example]) -> Card:
    """The card of places. Large plants have many places, and count for more only as the root of their area."""
    values = np.concatenate([e.measured for e in examples])
    label = np.concatenate([place_labels(e) for e in examples])
    weight = np.concatenate([1 / np.sqrt(e.places.region_cm2 + 1) for e in examples])
    asked = np.flatnonzero(label >= 0)
    asked = asked[:: -(-len(asked) // MOST_ROWS)]
    return fit_card(MEASURES, values[asked], label[asked], weight[asked], TURNERS, 5.0)


def fit_rest(examples: list[Example], judges: list[Card], places: Card) -> Cards:
    """All further constants, with places judged by the card of each example's fold."""
    judged, crop, weed, weight, moves, errors = [], [], [], [], [], []
    peaks_all: list[tuple[Example, Peaks, np.ndarray]] = []
    for e, judge in zip(examples, judges, strict=True):
        peaks = peaks_of(e.places, judge.probability(e.measured))
        values = peak_measures(e.places, peaks)
        p = 1 / (1 + np.exp(-peaks.logit))
        is_crop, is_weed = (found(e, peaks.base_cm, p, kind) for kind in (True, False))
        judged.append(values)
        crop.append(is_crop >= 0)
        weed.append((is_weed >= 0) & (is_crop < 0))
        weight.append(np.where(off_row_cm(e, peaks.base_cm) < 6, 1.0, OFF_ROW_WEIGHT))
        peaks_all.append((e, peaks, is_crop))
    table = np.concatenate(judged)
    peak_card = fit_card(PEAK_MEASURES, table, np.concatenate(crop), np.concatenate(weight), (), 1.0)
    weed_card = fit_card(PEAK_MEASURES, table, np.concatenate(weed), np.ones(len(table)), (), 1.0)

    columns = [MEASURES.index(name) for name in BASE_MEASURES]
    for e, peaks, which in peaks_all:
        hit = which >= 0
        lean = e.places.lean[peaks.index][hit]
        out = lean / np.maximum(np.linalg.norm(lean, axis=1), 1e-6)[:, None]
        way = ((e.base_cm[which[hit]] - peaks.at_cm[hit]) * out).sum(axis=1)
        moves.append(np.c_[np.ones(hit.sum()), e.measured[peaks.index[hit]][:, columns], way])
    move = np.concatenate(moves)
    x, y = move[:, :-1], move[:, -1]
    scale = x.std(axis=0)
    scale[0] = 1
    tame = np.diag(np.r_[0, np.full(len(columns), 3.0)])
    base = tuple(np.linalg.solve((x / scale).T @ (x / scale) + tame, (x / scale).T @ y) / scale)

    inputs, hits = [], []
    for (e, peaks, which), values in zip(peaks_all, judged, strict=True):
        at = bases(e.places, peaks, e.measured, base)
        hit = which >= 0
        lean2 = (e.places.lean[peaks.index] ** 2).sum(axis=1)
        typical = np.exp(values[:, PEAK_MEASURES.index("typical")])
        half = ((at[hit] - e.base_cm[which[hit]]) ** 2).sum(axis=1) / 2
        errors.append(np.c_[np.ones(hit.sum()), lean2[hit], typical[hit], half])
        p = shared_out(peak_card.probability(values), at, e.places.region[peaks.index])
        own = off_row_cm(e, at)
        near = (own < 6) & (p >= 0.1)
        if near.any():
            ratio = np.clip(np.exp(-0.5 * (own[near] / 1.8) ** 2) / (1.8 * np.sqrt(2 * np.pi)) * 12, 1 / 3, 3)
            odds = np.clip(p[near], 0, 0.98) / (1 - np.clip(p[near], 0, 0.98)) * ratio
            heat = np.clip(np.log(odds), -6.9, 6.9)
            aside = at[near] - at[near].mean(axis=0)
            walk = np.argsort(aside @ np.linalg.svd(aside, full_matrices=False)[2][0])
            closeness, above = rivals(heat[walk], at[near][walk], Settings().stems.closeness_cm)
            told = np.stack([heat[walk], closeness, closeness * above], axis=1)
            inputs.append(told[np.argsort(walk)])
            hits.append(found(e, at[near], p[near], True) >= 0)
    from scipy.optimize import nnls

    error = np.concatenate(errors)
    # relative errors of a variance are alike, so each line is weighed by a guess of it
    guess = 0.2 + error[:, 1] * 0.5 + error[:, 2] * 0.01
    variance = tuple(nnls(error[:, :3] / guess[:, None], error[:, 3] / guess)[0])
    calibration = tuple(float(v) for v in fit_calibration(np.concatenate(inputs), np.concatenate(hits)))
    return Cards(places, peak_card, weed_card, base, variance, calibration)  # type: ignore[arg-type]


def fit(examples: list[Example], folds: int) -> Cards:
    """All constants."""
    left = sorted({e.fold for e in examples})
    by_fold = {f: fit_places([e for e in examples if e.fold != f]) for f in left} if len(left) > 1 else {}
    whole = fit_places(examples)
    return fit_rest(examples, [by_fold.get(e.fold, whole) for e in examples], whole)


def gather(folders: list[Path], scenes: int, seed: int, folds: int) -> Iterator[Example]:
    """Examples of folders, then of made scenes."""
    for folder in folders:
        for k, (photo, ground, truth) in enumerate(left_out(folder, 1)):
            one = example(photo, ground, truth, k % folds, own_scale=True)
            if one:
                yield one
    for k, (photo, ground, truth) in enumerate(made(scenes, seed)):
        one = example(photo, ground, truth, k % folds, own_scale=False)
        if one:
            yield one


def main() -> None:
    """Command line."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("out", type=Path)
    ask.add_argument("--folder", type=Path, action="append", default=[])
    ask.add_argument("--made", type=int, default=24)
    ask.add_argument("--seed", type=int, default=31, help="of the made scenes")
    ask.add_argument("--folds", type=int, default=5)
    ask.add_argument("--left-out", action="store_true", help="also cards that have not seen every n-th photo")
    a = ask.parse_args()
    examples = list(gather(a.folder, a.made, a.seed, a.folds))
    fit(examples, a.folds).write(a.out)
    for f in range(a.folds if a.left_out else 0):
        fit([e for e in examples if e.fold != f], a.folds).write(a.out.with_suffix(f".fold{f}.json"))
    print(f"{len(examples)} photos, {sum(int(e.is_crop.sum()) for e in examples)} crop plants")


if __name__ == "__main__":
    main()
