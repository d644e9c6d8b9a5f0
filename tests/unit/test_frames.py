"""Frames placed by exact or noisy common points, without pictures."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from fixtures.flown import ORIGIN, SIZE, line_of_flight
from hypothesis import given, settings
from hypothesis import strategies as st

from standcam import flags
from standcam.errors import BadSettings, NoScale
from standcam.frames.adjust import Marks, Sights, adjust, bent, misfits, straight
from standcam.frames.look import Look
from standcam.frames.pairs import Pair
from standcam.frames.place import place_frames
from standcam.frames.record import Frames, PlacedFrame
from standcam.ground.control import ControlPoints
from standcam.ground.overhead import Pose, overhead_map
from standcam.images.frame_facts import FrameFacts
from standcam.settings import Settings
from standcam.synthetic.flight import degrees_of

W, H = SIZE
FOCAL = 600.0
K = np.array([[FOCAL, 0, (W - 1) / 2], [0, FOCAL, (H - 1) / 2], [0, 0, 1]])
STEP = 2.5
"""Pixels of the frame for one of the reduced picture."""


def true_map(pose):
    return overhead_map(pose, K, W, H, "flight", None)


def looks_of(poses, *, gps_sd_m=0.0, height_sd_m=0.0, seed=0, place=True, height=True, yaw=True):
    rng = np.random.default_rng(seed)
    found = []
    for n, pose in enumerate(poses):
        east, north = ORIGIN + np.array([pose.x_cm, pose.y_cm]) / 100 + rng.normal(0, gps_sd_m, 2)
        lon, lat = degrees_of(32633, east, north)
        facts = FrameFacts(
            W, H, lat if place else None, lon if place else None,
            relative_m=pose.height_cm / 100 + rng.normal(0, height_sd_m) if height else None,
            yaw_deg=float(np.rad2deg(pose.yaw_rad)) if yaw else None, focal_px=FOCAL, pitch_deg=-90.0,
        )  # fmt: skip
        found.append(Look(Path(f"f{n:03d}.jpg"), W, H, facts, np.empty((0, 2)), np.empty((0, 128), np.uint8), STEP))
    return found


def seen_alike(poses, sd_px=0.0, blind=(), seed=0):
    """Stands in for the matching of pictures: common points of a plane, each seen with an error."""
    maps = [true_map(pose) for pose in poses]

    def run(_, jobs):
        found = []
        for i, j, *_ in jobs:
            rng = np.random.default_rng([seed, i, j])
            px = rng.uniform([0, 0], [W, H], (400, 2))
            there = maps[j].to_pixels(maps[i].to_ground(px))
            both = ((there >= 0) & (there <= [W, H])).all(axis=1)
            if both.sum() < 25 or i in blind or j in blind:
                found.append(None)
                continue
            p, q = px[both][:90], there[both][:90]
            held = np.arange(len(p)) % 3 == 2
            noise = rng.normal(0, sd_px, (2, *p.shape))
            found.append(Pair(i, j, p + noise[0], q + noise[1], held, int(both.sum())))
        return found

    return run


def grid_errors(frames, poses):
    """Complex places of a grid in each frame: as placed and as true. [cm]"""
    grid = np.stack(np.meshgrid(np.linspace(0, W - 1, 7), np.linspace(0, H - 1, 5)), axis=2).reshape(-1, 2)
    shift = (np.array(frames.origin_m) - ORIGIN) * 100
    placed, true = [], []
    for frame in frames.frames:
        placed.append((frame.ground.to_ground(grid) + shift) @ [1, 1j])
        true.append(true_map(poses[int(frame.path.stem[1:])]).to_ground(grid) @ [1, 1j])
    return np.array(placed), np.array(true)


def laid_on(placed, true):
    """Scale of the true ground for one of the placed, and what is left after shift, turn and scale. [1], [cm]"""
    a, b = placed - placed.mean(), true - true.mean()
    factor = np.vdot(a, b) / np.vdot(a, a)
    return abs(factor), np.abs(a * factor - b)


def test_exact_points_give_back_the_poses():
    rng = np.random.default_rng(0)
    poses = line_of_flight(5, 150, rng, sway_deg=3)
    frames = place_frames(looks_of(poses), run=seen_alike(poses))
    placed, true = grid_errors(frames, poses)
    scale, left = laid_on(placed, true)
    # noted bearings and tilts are off by some degrees and pull a little
    assert left.max() < 0.5 and abs(scale - 1) < 2e-3
    assert np.abs(placed - true).max() < 5
    assert frames.residual_mm < 0.5 and all(seam.check_mm < 0.5 for seam in frames.seams)
    assert frames.crs_name == "EPSG:32633" and frames.problems == ()
    assert all(abs(f.height_cm - p.height_cm) < 3 for f, p in zip(frames.frames, poses, strict=True))


def test_drift_over_thirty_frames():
    """One line of 30 frames, points found to 0.5 px of the reduced picture, positions to 2 m.

    There is nothing to close such a line, and it bends: the whole by what positions and heights are off by, near places
    hardly. What counts for plants is the length of a metre, anywhere.
    """
    rng = np.random.default_rng(1)
    poses = line_of_flight(30, 150, rng)
    looks = looks_of(poses, gps_sd_m=2.0, height_sd_m=0.3, seed=2)
    frames = place_frames(looks, run=seen_alike(poses, sd_px=0.5 * STEP))
    placed, true = grid_errors(frames, poses)
    scale, left = laid_on(placed, true)
    assert len(frames.frames) == 30
    # 2 m on either axis, less what the whole was shifted and turned by
    (off,) = [float(note.split()[3]) for note in frames.notes if note.startswith("Noted positions")]
    assert 2.2 < off < 3.2
    # two frames' errors of 1.25 px of 10 mm; the adjustment does not add to them
    assert 15 < frames.residual_mm < 35
    # within each frame lengths are those of all, to a percent
    local = np.array([laid_on(p, t)[0] for p, t in zip(placed, true, strict=True)])
    assert np.abs(local / scale - 1).max() < 0.012
    # heights are noted to 5 %: their mean over 30 frames tells the scale
    assert abs(scale - 1) < 0.02
    # end to end 4350 cm
    assert left.max() < 25


def test_misfits_are_told_at_their_size():
    """The check at the seams is the error that was put in: sqrt(2) for two frames, sqrt(2) for two axes."""
    rng = np.random.default_rng(3)
    poses = line_of_flight(8, 120, rng, lines=2)
    frames = place_frames(looks_of(poses, gps_sd_m=1.0), run=seen_alike(poses, sd_px=1.0))
    mm = 10 * np.mean([p.height_cm for p in poses]) / FOCAL
    assert frames.residual_mm == pytest.approx(2 * mm, rel=0.12)
    assert frames.frames[3].ground.residual_mm == pytest.approx(2 * mm, rel=0.2)


def test_a_position_far_off_is_not_believed():
    rng = np.random.default_rng(12)
    poses = line_of_flight(8, 150, rng, lines=2)
    looks = looks_of(poses, gps_sd_m=0.5)
    wrong = dataclasses.replace(looks[4].facts, latitude=looks[4].facts.latitude + 0.001)  # 111 m
    looks[4] = dataclasses.replace(looks[4], facts=wrong)
    # the next in time are tried whatever positions tell, and so it is found
    frames = place_frames(looks, Settings().replace("flight", gps_error_m=1.0), run=seen_alike(poses, sd_px=0.5))
    placed, true = grid_errors(frames, poses)
    assert len(frames.frames) == 16 and np.abs(placed - true).max() < 100
    assert any("1 of them lie 1" in note and "not believed" in note for note in frames.notes)


def test_without_positions():
    rng = np.random.default_rng(4)
    poses = line_of_flight(6, 150, rng)
    frames = place_frames(looks_of(poses, place=False, yaw=False), run=seen_alike(poses))
    _, left = laid_on(*grid_errors(frames, poses))
    assert left.max() < 0.2 and (frames.crs_wkt, frames.crs_name) == ("", "local")
    assert any("no place on earth" in note for note in frames.notes)


def test_false_pairs_are_dropped():
    rng = np.random.default_rng(5)
    poses = line_of_flight(8, 120, rng, lines=2)
    true = seen_alike(poses, sd_px=0.5)

    def run(function, jobs):
        jobs = list(jobs)
        found = list(true(function, jobs))
        for k in (3, 11) if len(found) > 11 else ():  # as if a pattern had repeated itself 60 px aside
            pair = found[k]
            found[k] = Pair(
                pair.first, pair.second, pair.first_px, pair.second_px + np.array([60, -25]), pair.held, pair.found
            )
        return found

    frames = place_frames(looks_of(poses, gps_sd_m=1.0), run=run)
    _, left = laid_on(*grid_errors(frames, poses))
    assert left.max() < 5 and frames.residual_mm < 30 and len(frames.frames) == 16


def test_a_frame_that_fits_nothing_is_a_problem_and_no_more():
    rng = np.random.default_rng(6)
    poses = line_of_flight(6, 120, rng)
    frames = place_frames(looks_of(poses), run=seen_alike(poses, blind={5}))
    (problem,) = frames.problems
    assert problem.path.name == "f005.jpg" and len(frames.frames) == 5
    assert "plants might count twice" in problem.reason and problem.remedy
    blind = place_frames(looks_of(poses, place=False), run=seen_alike(poses, blind={5}))
    assert "its position is not noted" in blind.problems[0].reason


def test_a_frame_far_from_the_others_is_kept_by_its_position():
    rng = np.random.default_rng(7)
    poses = [*line_of_flight(5, 120, rng), Pose(20_000, 500, 600, 0.3)]
    frames = place_frames(looks_of(poses), run=seen_alike(poses))
    assert frames.problems == () and frames.frames[5].laid_on == 0
    assert any("f005.jpg" in note and "positions alone" in note for note in frames.notes)
    placed, true = grid_errors(frames, poses)
    assert np.abs(placed[5] - true[5]).max() < 10
    assert np.isnan(frames.frames[5].ground.residual_mm)


def marks_of(poses, places_cm, sd_px=0.0):
    names, px, m = [], [], []
    rng = np.random.default_rng(8)
    for n, pose in enumerate(poses):
        for place, at in zip(places_cm, true_map(pose).to_pixels(places_cm), strict=True):
            if (at >= 0).all() and (at <= [W, H]).all():
                names.append(f"f{n:03d}.jpg")
                px.append(at + rng.normal(0, sd_px, 2))
                m.append(ORIGIN + place / 100)
    return ControlPoints(tuple(names), np.array(px), np.array(m))


def test_control_points_give_place_and_scale():
    rng = np.random.default_rng(9)
    poses = line_of_flight(8, 120, rng, lines=2)
    control = marks_of(poses, np.array([[300.0, 250], [1200, 300], [250, 1300], [1250, 1250], [700, 800]]), sd_px=0.5)
    # heights off by a tenth: the marks know better
    looks = looks_of([Pose(p.x_cm, p.y_cm, 1.1 * p.height_cm, p.yaw_rad) for p in poses], gps_sd_m=2.0)
    frames = place_frames(looks, control=control, run=seen_alike(poses, sd_px=0.5))
    placed, true = grid_errors(frames, poses)
    assert np.abs(placed - true).max() < 4 and np.abs(placed - true).mean() < 1
    assert any("control points in" in note for note in frames.notes)
    assert not frames.frames[0].ground.flags & flags.bit("by_altitude")
    nothing = looks_of(poses, place=False, height=False, yaw=False)
    alone = place_frames(nothing, control=control, run=seen_alike(poses, sd_px=0.5))
    placed, true = grid_errors(alone, poses)
    assert np.abs(placed - true).max() < 4


def test_a_single_frame():
    pose = Pose(700, 900, 600, 0.4, 0.03, -0.02)
    (alone,) = place_frames(looks_of([pose])).frames
    assert alone.laid_on == 0 and alone.height_cm == pytest.approx(600, abs=1)
    control = marks_of([pose], np.array([[500.0, 800], [900, 750], [550, 1050], [880, 1060], [700, 900]]))
    for told in (True, False):
        frames = place_frames(looks_of([pose], gps_sd_m=3.0, place=told, height=told), control=control)
        placed, true = grid_errors(frames, [pose])
        assert np.abs(placed - true).max() < 2
    with pytest.raises(NoScale, match="height of flight"):
        place_frames(looks_of([pose], height=False))


def test_a_board_in_one_frame_tells_the_scale_of_all():
    rng = np.random.default_rng(10)
    poses = line_of_flight(6, 120, rng, sway_deg=0.5)
    looks = looks_of([Pose(p.x_cm, p.y_cm, 1.08 * p.height_cm, p.yaw_rad) for p in poses], gps_sd_m=1.0)
    true = 1.0 * poses[2].height_cm / FOCAL
    with_board = [dataclasses.replace(k, board_cm_per_px=true) if n == 2 else k for n, k in enumerate(looks)]
    without, found = (place_frames(k, run=seen_alike(poses, sd_px=0.5)) for k in (looks, with_board))
    scales = [laid_on(*grid_errors(frames, poses))[0] for frames in (without, found)]
    assert abs(scales[0] - 1) > 0.05 and abs(scales[1] - 1) < 0.02
    assert any("ground boards in 1 frame" in note for note in found.notes)
    assert without.frames[0].ground.flags & flags.bit("by_altitude")
    assert not found.frames[0].ground.flags & flags.bit("by_altitude")
    # what is read as a board, and would put the camera at half its height, is none
    false = [dataclasses.replace(k, board_cm_per_px=0.5 * true) if n == 2 else k for n, k in enumerate(looks)]
    frames = place_frames(false, run=seen_alike(poses, sd_px=0.5))
    assert laid_on(*grid_errors(frames, poses))[0] == pytest.approx(scales[0], abs=1e-6)


def test_no_scale_at_all():
    poses = line_of_flight(3, 120, np.random.default_rng(0))
    with pytest.raises(NoScale, match="height of flight is not known"):
        place_frames(looks_of(poses, height=False), run=seen_alike(poses))
    with pytest.raises(NoScale, match="no frames"):
        place_frames([])


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:3435", "nowhere"])
def test_maps_that_are_not_metric(crs):
    poses = line_of_flight(3, 120, np.random.default_rng(0))
    with pytest.raises(BadSettings, match="control_crs"):
        place_frames(looks_of(poses), Settings().replace("flight", control_crs=crs), run=seen_alike(poses))


def test_distortion_there_and_back():
    a = np.random.default_rng(0).uniform(-0.8, 0.8, (50, 2))
    for k1 in (-0.05, 0.0, 0.08):
        assert bent(straight(a, k1), k1) == pytest.approx(a, abs=1e-5)


def test_adjustment_agrees_with_a_general_least_squares():
    """SciPy's least_squares on the same misfits and notes, without its robust loss: points here have no outliers."""
    from scipy.optimize import least_squares

    rng = np.random.default_rng(11)
    poses = np.array([p.array for p in line_of_flight(3, 120, rng)])
    n = 60
    i, j = np.array([0, 1, 0]).repeat(n), np.array([1, 2, 2]).repeat(n)
    a = rng.uniform(-0.4, 0.4, (3 * n, 2))
    clean = Sights(i, j, a, np.zeros_like(a), np.full(3 * n, 1e-3))
    sights = Sights(i, j, a, misfits(poses, clean, 0.0) + rng.normal(0, 3e-4, a.shape), clean.sd)
    noted = poses + rng.normal(0, [100, 100, 5, 0.02, 0.01, 0.01], poses.shape)
    sd = np.tile([100.0, 100, 20, 0.05, 0.03, 0.03], (3, 1))
    none = Marks(np.empty(0, int), np.empty((0, 2)), np.empty((0, 2)), np.empty(0))
    ours, k1 = adjust(noted, noted, sd, sights, none, 0.0)
    assert abs(k1) < 1e-6

    def all_misfits(x):
        p = x.reshape(3, 6)
        return np.concatenate([(misfits(p, sights, 0.0) / sights.sd[:, None]).ravel(), ((p - noted) / sd).ravel()])

    theirs = least_squares(all_misfits, noted.ravel(), x_scale=sd.ravel(), xtol=1e-12, ftol=1e-12, gtol=1e-12)
    assert theirs.cost == pytest.approx(0.5 * (all_misfits(ours.ravel()) ** 2).sum(), rel=1e-5)
    assert (ours - theirs.x.reshape(3, 6)) / sd == pytest.approx(0, abs=5e-3)


def flat(*nadirs):
    """Frames that look straight down from 6 m: 900 x 600 cm each."""
    frames = tuple(PlacedFrame(Path(f"f{k}.jpg"), true_map(Pose(x, y, 600)), 1) for k, (x, y) in enumerate(nadirs))
    return Frames(frames, (0.0, 0.0), "", "local", ())


def test_ground_belongs_to_the_nearest_camera_that_shows_it():
    frames = flat((0, 0), (500, 0), (5000, 0))
    points = np.array([[0, 0], [249, 10], [251, 10], [500, 299], [0, 310], [5400, 0], [2500, 0], [-449, 299]])
    assert frames.owner_of(points).tolist() == [0, 0, 1, 1, -1, 2, -1, 0]
    # what the nearer does not show, the further may
    assert frames.owner_of([[480, 0]], margin_px=0).tolist() == [1]
    assert frames.owner_of([[445, 0]]).tolist() == [1] and frames.owner_of([[-445, 0]], margin_px=10).tolist() == [-1]


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.floats(0, 2.0), st.floats(0, 0.1))
def test_each_plant_counts_once(seed, sd_cm, missed):
    """Plants 12 cm apart at the least, found in every frame that shows them with an error, some of them missed."""
    rng = np.random.default_rng(seed)
    frames = flat((0, 0), (380, 20), (760, -30), (200, 350))
    x, y = np.meshgrid(np.arange(-440, 1200, 17.0), np.arange(-290, 640, 50.0))
    plants = np.column_stack([x.ravel(), y.ravel()]) + rng.uniform(-2.5, 2.5, (x.size, 2))
    which, found, plant = [], [], []
    for k, frame in enumerate(frames.frames):
        seen = plants + rng.normal(0, sd_cm / 2, plants.shape)
        px = frame.ground.to_pixels(seen)
        shown = ((px >= -0.5) & (px < [W - 0.5, H - 0.5])).all(axis=1) & (rng.random(len(plants)) >= missed)
        which += [k] * int(shown.sum())
        found.append(seen[shown])
        plant += np.flatnonzero(shown).tolist()
    kept = frames.count_once(np.array(which), np.concatenate(found), tolerance_cm=6.0)
    times = np.bincount(np.array(plant)[kept], minlength=len(plants))
    assert times.max() <= 1
    # those well inside what frames show are all there, unless the frame they belong to missed them
    inside = frames.owner_of(plants, margin_px=15) >= 0
    assert (times[inside] == 0).mean() <= (0.001 if missed == 0 else missed + 0.05)


def test_nothing_found():
    frames = flat((0, 0), (500, 0))
    assert frames.count_once(np.empty(0, int), np.empty((0, 2)), 5.0).shape == (0,)
    assert frames.owner_of(np.empty((0, 2))).shape == (0,) and np.isnan(frames.residual_mm)
