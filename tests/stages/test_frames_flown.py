"""Pictures cut in perspective from one ground, laid on each other again; truth by construction."""

import numpy as np
import pytest
from fixtures.drawn_board import camera, draw
from fixtures.flown import ORIGIN, SIZE, fly, ground_picture, line_of_flight
from PIL import Image

from standcam.frames.look import look
from standcam.frames.pairs import match
from standcam.frames.place import place_frames
from standcam.settings import Settings

W, H = SIZE
K1 = -0.03


@pytest.fixture(scope="module")
def flown(tmp_path_factory):
    """Six frames of two lines with 1 degree of sway, a bent lens, positions to 1.5 m."""
    poses = line_of_flight(3, 200, np.random.default_rng(1), lines=2)
    return fly(tmp_path_factory.mktemp("flown"), poses, k1=K1, gps_sd_m=1.5, height_sd_m=0.1, seed=3)


@pytest.fixture(scope="module")
def placed(flown):
    return place_frames([look(path) for path in flown.paths])


def errors(frames, flown):
    grid = np.stack(np.meshgrid(np.linspace(0, W - 1, 9), np.linspace(0, H - 1, 7)), axis=2).reshape(-1, 2)
    shift = (np.array(frames.origin_m) - ORIGIN) * 100
    here = np.array([(f.ground.to_ground(grid) + shift) @ [1, 1j] for f in frames.frames])
    there = np.array([m.to_ground(grid) @ [1, 1j] for m in flown.maps])
    a, b = here - here.mean(), there - there.mean()
    factor = np.vdot(a, b) / np.vdot(a, a)
    return factor, np.abs(a * factor - b), np.abs(here - there)


def test_placed_to_the_millimetre(placed, flown):
    factor, left, absolute = errors(placed, flown)
    # a pixel is 10 mm, and noted positions and heights bend the whole a little
    assert 10 * np.sqrt((left**2).mean()) < 5 and 10 * left.max() < 15
    assert placed.residual_mm < 5 and len(placed.frames) == 6 and not placed.problems
    assert placed.k1 == pytest.approx(K1, abs=0.002)
    # heights are noted to 10 cm of 6 m, positions to 1.5 m: that is all that is known of scale and place
    assert abs(abs(factor) - 1) < 0.03 and absolute.max() < 300


def test_each_plant_is_owned_once(placed, flown):
    found, which, plant = [], [], []
    for k, frame in enumerate(placed.frames):
        px = flown.maps[k].to_pixels(flown.plants_cm)
        shown = ((px >= 0) & (px <= [W - 1, H - 1])).all(axis=1)
        found.append(frame.ground.to_ground(px[shown]))  # where this frame has it
        which += [k] * int(shown.sum())
        plant += np.flatnonzero(shown).tolist()
    found = np.concatenate(found)
    kept = placed.count_once(np.array(which), found, tolerance_cm=5.0)
    times = np.bincount(np.array(plant)[kept], minlength=len(flown.plants_cm))
    seen = np.bincount(plant, minlength=len(flown.plants_cm))
    assert len(plant) > 2 * (seen > 0).sum()  # most are seen several times
    assert times.max() == 1
    inside = np.zeros(len(seen), bool)
    for true in flown.maps:
        px = true.to_pixels(flown.plants_cm)
        inside |= ((px > 10) & (px < [W - 11, H - 11])).all(axis=1)
    assert inside.sum() > 200 and (times[inside] == 1).all()
    assert placed.owner_of(found).min() >= 0


def test_distances_between_plants_over_seams(placed, flown):
    """Neighbours in different frames are as far from each other as they truly are, but for the common scale."""
    factor, _, _ = errors(placed, flown)
    gaps = []
    for a in range(len(flown.plants_cm) - 1):
        pair = flown.plants_cm[[a, a + 1]]
        if np.hypot(*(pair[1] - pair[0])) > 40:
            continue
        px = [flown.maps[k].to_pixels(pair) for k in (0, 1)]
        if all(((p >= 0) & (p <= [W - 1, H - 1])).all() for p in px):
            one = placed.frames[0].ground.to_ground(px[0])[0]
            two = placed.frames[1].ground.to_ground(px[1])[1]
            gaps.append(abs(factor) * np.hypot(*(two - one)) - np.hypot(*(pair[1] - pair[0])))
    assert len(gaps) > 50 and 10 * np.sqrt(np.mean(np.square(gaps))) < 4  # mm


def test_frames_without_positions_find_each_other(flown, tmp_path):
    poses = line_of_flight(3, 200, np.random.default_rng(1))
    alone = fly(tmp_path / "alone", poses, tell=("height",), seed=5)
    frames = place_frames([look(path) for path in alone.paths])
    _, left, _ = errors(frames, alone)
    assert len(frames.frames) == 3 and 10 * left.max() < 8 and frames.crs_name == "local"


def test_other_ground_is_no_match(flown, tmp_path):
    settings = Settings()
    a = look(flown.paths[0], settings)
    pictures = [np.random.default_rng(0).integers(0, 255, (H, W, 3)).astype(np.uint8), ground_picture(W, H, seed=9)[0]]
    for k, picture in enumerate(pictures):
        path = tmp_path / f"other_{k}.png"
        Image.fromarray(picture).save(path)
        other = look(path, settings)
        assert len(other.words) > 500
        assert match(0, 1, a, other, settings.flight.fewest_matches) is None


def test_a_board_in_a_frame_is_measured(tmp_path):
    view = camera(height_mm=1400.0, tilt_deg=0.0, look_at=(120.0, -60.0))
    Image.fromarray(draw(view).rgb).save(tmp_path / "a.png")
    found = look(tmp_path / "a.png", Settings().replace("calibration", focal_length_35mm=26.0))
    assert found.board_cm_per_px == pytest.approx(140 / view.K[0, 0], rel=0.005)
    none = Settings().replace("flight", boards=False)
    assert look(tmp_path / "a.png", none).board_cm_per_px is None


def test_points_are_spread_over_the_frame(flown):
    found = look(flown.paths[0])
    counts, _, _ = np.histogram2d(*found.points_px.T, bins=4, range=[[0, W], [0, H]])
    assert found.words.shape == (len(found.points_px), 128) and counts.min() > 60
    assert (found.points_px >= -0.5).all() and (found.points_px <= [W, H]).all()
