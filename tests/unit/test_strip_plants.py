"""Stems of a strip tied to rows and judged: seams, rivals, weeds; all on points whose answer is plain."""

import numpy as np
import pytest

from standcam.plants.rivals import rivals
from standcam.plants.strip_plants import StripSeen, least_probability, plants_of, without_seams
from standcam.rows.strip import find_strip_rows
from standcam.settings import StripRowSettings, StripStemSettings

AS_IT_IS = StripStemSettings(calibration=(0.0, 1.0, 0.0, 0.0, 0.0, 0.0))


def seen_of(crop, heat=0.9, weed=(), weed_heat=0.9) -> StripSeen:
    crop, weed = np.reshape(crop, (-1, 2)).astype(float), np.reshape(weed, (-1, 2)).astype(float)
    n, m = len(crop), len(weed)
    return StripSeen(
        crop, np.broadcast_to(heat, n).astype(float), np.full(n, 0.3), np.full(n, 8.0),
        weed, np.broadcast_to(weed_heat, m).astype(float), np.full(m, 2.0),
    )  # fmt: skip


def field(rows=4, plants=60, spacing=16.0, width=76.0) -> np.ndarray:
    """Plants on even rows along x."""
    rng = np.random.default_rng(1)
    x = spacing * np.arange(plants) + rng.normal(0, 1.5, (rows, plants))
    y = width * np.arange(rows)[:, None] + rng.normal(0, 0.5, (rows, plants))
    return np.stack([x, y], axis=-1).reshape(-1, 2)


def rows_of(points: np.ndarray):
    return find_strip_rows(points, np.ones(len(points)), StripRowSettings(), 76.0)


def test_every_plant_on_its_row_is_crop():
    points = field()
    found = plants_of(seen_of(points), rows_of(points), 0.4, AS_IT_IS)
    assert len(found) == len(points) and found.is_crop.all()
    assert np.bincount(found.row).tolist() == [60, 60, 60, 60]
    for row in range(4):
        assert (np.diff(found.position_cm[found.row == row]) > 0).all()
    # gaps along the rows are those of the points
    own = points[np.abs(points[:, 1]) < 20]
    top = found.row == found.row[np.argmin(np.abs(found.points_cm[:, 1]))]
    np.testing.assert_allclose(np.diff(found.position_cm[top]), np.diff(np.sort(own[:, 0])), atol=0.05)


def test_a_stem_off_every_row_belongs_to_none():
    points = field()
    stray = np.array([[300.0, 38.0], [500.0, 76 + 30.0]])
    found = plants_of(seen_of(np.concatenate([points, stray])), rows_of(points), 0.4, AS_IT_IS)
    assert len(found) == len(points)


def test_standing_off_the_line_lowers_the_odds_at_most_by_their_bound():
    points = field()
    rows = rows_of(points)
    on, off = points[30], points[30] + [8.0, 7.0]
    found = plants_of(seen_of(np.array([on, off]), heat=0.5), rows, 0.4, AS_IT_IS)
    p = found.crop_probability[np.argsort(np.abs(found.offset_cm))]
    assert p[0] == pytest.approx(3 / 4, abs=0.02)  # odds of one, times row_odds
    assert p[1] == pytest.approx(1 / 4, abs=0.02)


def test_rivals_as_asked_of_every_pair():
    rng = np.random.default_rng(4)
    x = np.sort(rng.uniform(0, 900, 300))
    places, logit = np.stack([x, rng.normal(0, 0.6, 300)], axis=1), rng.normal(0, 2, 300)
    closeness, above = rivals(logit, places, 4.0)
    apart = np.linalg.norm(places[:, None] - places[None], axis=2)
    apart[logit[None] <= logit[:, None]] = np.inf
    nearest = apart.argmin(axis=1)
    plain, plain_above = np.exp(-apart[np.arange(300), nearest] / 4.0), logit[nearest] - logit
    near = plain > 1e-5
    np.testing.assert_allclose(closeness[near], plain[near], rtol=1e-9)
    np.testing.assert_allclose(above[near], plain_above[near], rtol=1e-9)
    assert (closeness[~near] < 1e-5).all() and near.sum() > 200
    # another row's plants are no rivals
    assert (rivals(logit, places, 4.0, np.arange(300))[0] == 0).all()
    assert rivals(np.empty(0), np.empty((0, 2)), 4.0)[0].shape == (0,)


def test_a_plant_on_a_seam_is_counted_once():
    points = field(rows=2)
    twice = np.concatenate([points, points[10:14] + np.array([0.3, -0.2])])
    heat = np.r_[np.full(len(points), 0.8), 0.9, 0.9, 0.7, 0.7]
    seen = without_seams(seen_of(twice, heat), AS_IT_IS)
    assert len(seen.crop_cm) == len(points)
    kept = {tuple(p) for p in seen.crop_cm}
    assert all(tuple(p) in kept for p in twice[-4:-2])  # the hotter of each pair
    assert not any(tuple(p) in kept for p in twice[-2:])


def test_a_chain_of_near_finds_loses_only_those_next_to_one_that_stays():
    chain = np.array([[0.0, 0], [1.0, 0], [2.0, 0]])
    seen = without_seams(seen_of(chain, np.array([0.9, 0.8, 0.7])), AS_IT_IS)
    np.testing.assert_array_equal(seen.crop_cm, chain[[0, 2]])


def test_weeds_beside_rows_are_listed_and_never_counted():
    points = field()
    weeds = np.array([[200.0, 20.0], [400.0, 38.0], points[5] + [0.5, 0.5]])
    found = plants_of(seen_of(points, weed=weeds), rows_of(points), 0.4, AS_IT_IS)
    listed = found.judged == "weed"
    assert listed.sum() == 1  # one is farther than weeds_reach_cm from a row, one is a crop plant seen as both
    assert not found.is_crop[listed].any() and np.isnan(found.position_sd_cm[listed]).all()
    assert found.is_crop.sum() == len(points)


def test_doubles_are_flagged_and_cool_stems_are_doubtful():
    points = field(rows=1, plants=30)
    double = points[12] + [3.0, 0.2]
    heat = np.r_[np.full(30, 0.95), 0.95]
    heat[20] = 0.1
    found = plants_of(seen_of(np.concatenate([points, [double]]), heat), rows_of(points), 0.4, AS_IT_IS)
    assert found.near_another.sum() == 2
    assert sorted(found.judged[~found.is_crop]) == ["doubtful"]


def test_coarse_pictures_ask_less_of_a_stem():
    settings = StripStemSettings(crop_probability=0.5, coarse_crop_probability=0.3)
    asked = [least_probability(cm, settings) for cm in (0.3, 0.5, np.sqrt(0.5 * 0.8), 0.8, 1.0)]
    np.testing.assert_allclose(asked, [0.5, 0.5, 0.4, 0.3, 0.3])


def test_nothing_seen_gives_nothing():
    none = StripSeen.none()
    rows = find_strip_rows(np.empty((0, 2)), np.empty(0), StripRowSettings())
    assert len(plants_of(without_seams(none, AS_IT_IS), rows, 0.4, AS_IT_IS)) == 0
    assert len(plants_of(none, rows_of(field()), 0.4, AS_IT_IS)) == 0
