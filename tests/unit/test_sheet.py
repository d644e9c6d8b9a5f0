"""Sheets of ground drawn from photos."""

import dataclasses

import cv2
import numpy as np
import pytest
from fixtures.upper import flat, photo_of
from hypothesis import given
from hypothesis import strategies as st

from standcam.ground.map import GroundMap
from standcam.plants.sheet import Frame, draw
from standcam.plants.view import View, view_of
from standcam.settings import VegetationSettings
from standcam.synthetic.camera import place_camera
from standcam.synthetic.recipe import CameraRecipe
from standcam.vegetation.segment import Vegetation, segment

coordinate = st.floats(-500, 500)


def vegetation_of(rgb: np.ndarray, factor: int = 1) -> Vegetation:
    """Working picture without looking for plants in it."""
    h, w = (n // factor for n in rgb.shape[:2])
    small = cv2.resize(rgb[: h * factor, : w * factor], (w, h), interpolation=cv2.INTER_AREA)
    return Vegetation(np.zeros((h, w), np.uint8), small, np.zeros((h, w), bool), factor)


def board_photo(ground: GroundMap, cell_cm: float) -> np.ndarray:
    """A checkerboard all over the ground, as a photo with this map sees it. uint8 (h, w, 3)"""
    sub = 2
    x = (np.arange(ground.width_px * sub) + 0.5) / sub - 0.5
    y = (np.arange(ground.height_px * sub) + 0.5) / sub - 0.5
    place = ground.to_ground(np.stack(np.meshgrid(x, y), -1).reshape(-1, 2))
    light = (np.floor(place / cell_cm).sum(axis=1) % 2 * 160 + 40).reshape(len(y), len(x))
    light = cv2.resize(light, (ground.width_px, ground.height_px), interpolation=cv2.INTER_AREA)
    return np.repeat(light.round().astype(np.uint8)[..., None], 3, axis=2)


@given(coordinate, coordinate, st.floats(0, 2 * np.pi), st.floats(0.05, 2), coordinate, coordinate)
def test_sheet_pixels_and_ground_are_inverse(x, y, a, cm_per_px, u, v):
    frame = Frame((x, y), (np.cos(a), np.sin(a)), cm_per_px, 64, 32)
    there = frame.to_ground(np.array([[u, v]]))
    np.testing.assert_allclose(frame.to_sheet(there), [[u, v]], atol=1e-6)
    # lengths are kept, up to the scale
    assert np.linalg.norm(there - [x, y]) == pytest.approx(np.hypot(u, v) * cm_per_px, abs=1e-6)


def test_the_y_axis_points_to_the_right_of_the_x_axis():
    frame = Frame((0.0, 0.0), (1.0, 0.0), 0.5, 10, 10)
    np.testing.assert_allclose(frame.to_ground([[2, 0], [0, 2]]), [[1, 0], [0, -1]])
    assert frame.to_ground(np.empty((0, 2))).shape == (0, 2)


@pytest.mark.parametrize(
    ("factor", "camera"),
    [
        (1, {"tilt_deg": 0.0}),
        (1, {"tilt_deg": 20.0, "roll_deg": 7.0}),
        (1, {"tilt_deg": 12.0, "k1": 0.04}),
        (1, {"tilt_deg": 12.0, "k1": -0.05, "azimuth_deg": 40.0}),
        (2, {"tilt_deg": 15.0, "width_px": 901, "height_px": 675}),
    ],
)
def test_a_checkerboard_is_drawn_square_to_half_a_pixel(factor, camera):
    ground = place_camera(CameraRecipe(**{"width_px": 600, "height_px": 450, "height_mm": 650.0} | camera)).ground_map()
    cell = 5.0
    frame = Frame((-20.0, 14.0), (np.cos(0.2), np.sin(0.2)), 0.25, 160, 112)
    sheet = draw(frame, vegetation_of(board_photo(ground, cell), factor), ground, view_of(ground))
    assert sheet.rgb.shape == (112, 160, 3) and sheet.lean.shape == (112, 160, 2) and sheet.seen.shape == (112, 160)
    assert sheet.seen.all()
    # corners where four cells meet, as the ground has them and as they are found in the sheet
    grid = np.stack(np.meshgrid(np.arange(-8, 9) * cell, np.arange(-8, 9) * cell), -1).reshape(-1, 2)
    true = frame.to_sheet(grid)
    true = true[((true > 8) & (true < [151, 103])).all(axis=1)]
    assert len(true) > 15
    found = cv2.cornerSubPix(
        np.ascontiguousarray(sheet.rgb[..., 0]),
        true.astype(np.float32)[:, None].copy(),
        (5, 5),
        (-1, -1),
        (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 50, 0.001),
    )[:, 0]
    assert np.linalg.norm(found - true, axis=1).max() < 0.5


@pytest.mark.parametrize(("width", "height"), [(803, 601), (1207, 909)])
def test_halving_for_a_coarse_sheet_does_not_shift_it(width, height):
    # odd sizes lose their last pixel on each halving; the rest must stay in place to the far corner
    ground = flat(0.05, width, height)
    rgb = np.full((height, width, 3), 30, np.uint8)
    at = np.array([[width - 60.0, height - 50.0]])
    cv2.circle(rgb, (width - 60, height - 50), 20, (220, 220, 220), -1)
    frame = Frame((-width * 0.025, height * 0.025), (1.0, 0.0), 0.4, 160, 128)
    vegetation = vegetation_of(rgb)
    assert vegetation.smooth(0.4, ground).shape[1] < width / 3
    sheet = draw(frame, vegetation, ground, view_of(ground))
    light = np.where(sheet.seen, sheet.rgb[..., 0].astype(float) - 30, 0)
    y, x = np.mgrid[:128, :160]
    centre = np.array([(x * light).sum(), (y * light).sum()]) / light.sum()
    np.testing.assert_allclose(centre, frame.to_sheet(ground.to_ground(at))[0], atol=0.12)


def test_lean_points_away_from_the_cameras_foot_by_distance_over_height():
    ground = flat(0.1, 800, 600)
    a = 0.7
    frame = Frame((-10.0, 5.0), (np.cos(a), np.sin(a)), 0.5, 48, 32)
    view = View((6.0, -9.0), 130.0)
    sheet = draw(frame, vegetation_of(np.zeros((600, 800, 3), np.uint8)), ground, view)
    y, x = np.mgrid[:32, :48]
    place = frame.to_ground(np.stack([x, y], -1).reshape(-1, 2).astype(float))
    expected = (place - view.foot_cm) / view.height_cm
    # on the sheet's axes: tips of things 10 cm up lie 10 cm times the lean from their feet
    tips = frame.to_sheet(place + 10 * expected) - np.stack([x, y], -1).reshape(-1, 2)
    np.testing.assert_allclose(sheet.lean.reshape(-1, 2) * 10 / 0.5, tips, atol=1e-4)


def test_a_stick_is_seen_along_the_lean():
    # a camera at a known place: the tip of a stick 8 cm high is drawn where the lean says
    made = place_camera(CameraRecipe(tilt_deg=18.0, height_mm=1200.0))
    ground = made.ground_map()
    frame = Frame((-30.0, 30.0), (1.0, 0.0), 0.25, 240, 240)
    sheet = draw(frame, vegetation_of(np.zeros((600, 800, 3), np.uint8)), ground, view_of(ground))
    base = np.array([150.0, -110.0, 0.0])
    tip_px, _ = made.project(base + np.array([0, 0, 80.0]))
    at = frame.to_sheet(base[None, :2] / 10)[0]
    lean = sheet.lean[round(at[1]), round(at[0])]
    drawn = frame.to_sheet(ground.to_ground(tip_px[None]))[0]
    # (H / (H - h)) of the lean: the tip is seen against soil further out than straight below its own height
    np.testing.assert_allclose((drawn - at) * 0.25, lean * 8.0 / (1 - 8.0 / 120), atol=0.05)


def test_ground_beyond_the_photo_is_grey_and_not_seen():
    ground = flat(0.1, 200, 100)
    sheet = draw(
        Frame((-20.0, 10.0), (1.0, 0.0), 0.25, 160, 80),
        vegetation_of(np.full((100, 200, 3), 40, np.uint8)),
        ground,
        view_of(ground),
    )
    y, x = np.mgrid[:80, :160]
    px = ground.to_pixels(sheet.frame.to_ground(np.stack([x, y], -1).reshape(-1, 2).astype(float))).reshape(80, 160, 2)
    inside = ((px >= 0) & (px <= [199, 99])).all(axis=2)
    # smoothing halves the picture, which moves its last pixel centres inwards by half a pixel
    assert (sheet.seen == inside).mean() > 0.97
    assert 0.2 < sheet.seen.mean() < 0.6
    assert (sheet.rgb[~inside & (np.abs(px - [99.5, 49.5]) > [103, 53]).any(axis=2)] == 128).all()
    assert (sheet.rgb[sheet.seen] == 40).all()


def test_a_sheet_that_reaches_the_horizon_and_behind_the_camera():
    made = place_camera(CameraRecipe(tilt_deg=60.0, height_mm=600.0, focal_length_35mm=13.0))
    ground = made.ground_map()
    foot = made.position_mm[:2] / 10
    frame = Frame((foot[0] - 20, foot[1] + 300), (1.0, 0.0), 1.0, 48, 608)
    sheet = draw(frame, vegetation_of(np.full((600, 800, 3), 40, np.uint8)), ground, view_of(ground))
    # the last 3 m lie behind the camera
    assert sheet.seen[:100].all()
    assert not sheet.seen[420:].any()
    assert np.isfinite(sheet.lean).all()


@pytest.mark.parametrize("size", [(1, 1), (1, 40), (40, 1)])
def test_tiny_sheets_and_tiny_photos(size):
    ground = flat(0.2, 5, 4)
    photo = photo_of(np.full((4, 5, 3), 90, np.uint8))
    frame = Frame((0.0, 0.0), (1.0, 0.0), 0.25, *size)
    sheet = draw(frame, segment(photo, ground, VegetationSettings()), ground, view_of(ground))
    assert sheet.rgb.shape == (size[1], size[0], 3)
    assert dataclasses.replace(sheet, rgb=sheet.rgb).frame is frame


def test_places_between_nodes_are_linear_and_the_same_for_any_number_of_threads():
    """Against scipy's linear interpolation; and in a process whose linear algebra has other threads than this one."""
    import os
    import subprocess
    import sys
    from pathlib import Path

    from scipy.interpolate import RegularGridInterpolator

    from standcam.ground.map import uniform_map
    from standcam.plants.sheet import Frame, photo_places

    frame, ground = Frame((-70.0, -40.0), (0.96, 0.28), 0.15, 700, 500), uniform_map(0.05, 4000, 3000, "board")
    x, y = photo_places(frame, ground)
    n_x, n_y = 700 // 16 + 1, 500 // 16 + 1
    at = np.linspace(0, 699, n_x), np.linspace(0, 499, n_y)
    nodes = np.stack(np.meshgrid(*at), axis=-1).reshape(-1, 2)
    px = ground.to_pixels(frame.to_ground(nodes)).reshape(n_y, n_x, 2)
    every = np.stack(np.meshgrid(np.arange(500), np.arange(700), indexing="ij"), axis=-1)
    known = RegularGridInterpolator((at[1], at[0]), px)(every)
    assert np.abs(np.stack([x, y], axis=-1) - known).max() < 2e-3  # float32 at some 4000 px
    code = (
        "import hashlib; from standcam.ground.map import uniform_map; from standcam.plants.sheet import Frame, "
        "photo_places; p = photo_places(Frame((-70.0, -40.0), (0.96, 0.28), 0.15, 700, 500), "
        "uniform_map(0.05, 4000, 3000, 'board')); print(hashlib.sha256(p[0].tobytes() + p[1].tobytes()).hexdigest())"
    )
    said = {
        subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True,
                       cwd=Path(__file__).parents[2], env=os.environ | {"OPENBLAS_NUM_THREADS": n}).stdout
        for n in ("1", "2")
    }  # fmt: skip
    assert len(said) == 1


_FRAME = Frame((-55.3, 32.9), (np.cos(0.1), np.sin(0.1)), 0.15, 736, 512)
_GROUND = place_camera(
    CameraRecipe(width_px=1200, height_px=900, tilt_deg=25.0, roll_deg=5.0, height_mm=1300.0)
).ground_map()


@given(st.integers(0, 735), st.integers(0, 511), st.integers(1, 300), st.integers(1, 200))
def test_parts_of_a_sheet_and_single_pixels_lie_where_the_whole_has_them(left, top, width, height):
    from standcam.plants.sheet import PhotoPlaces, photo_places

    frame, ground = _FRAME, _GROUND
    places, (x, y) = PhotoPlaces(frame, ground, 2), photo_places(frame, ground, 2)
    down, across = slice(top, min(top + height, 512)), slice(left, min(left + width, 736))
    part_x, part_y = places.part(down, across)
    assert (part_x == x[down, across]).all() and (part_y == y[down, across]).all()
    at_x, at_y = places.at(np.array([left]), np.array([top]))
    assert at_x[0] == x[top, left] and at_y[0] == y[top, left]


@given(st.lists(st.tuples(st.integers(0, 599), st.integers(0, 449)), max_size=6))
def test_nothing_that_is_held_shows_outside_the_parts_near_it(pixels):
    """Against drawing the whole sheet."""
    from standcam.plants.sheet import PhotoPlaces, photo_places

    frame, ground = _FRAME, _GROUND
    picture = np.zeros((450, 600), np.uint8)
    for column, line in pixels:
        picture[line, column] = 255
    held = np.zeros((113, 150), bool)  # 450 is no multiple of 4
    for column, line in pixels:
        held[line // 4, column // 4] = True
    whole = cv2.remap(picture, *photo_places(frame, ground, 2), cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    by_parts, drawn = np.zeros_like(whole), 0
    places = PhotoPlaces(frame, ground, 2)
    for part in places.parts_near(held, 4):
        by_parts[part] = cv2.remap(picture, *places.part(*part), cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        drawn += by_parts[part].size
    assert (by_parts == whole).all()
    assert drawn <= 0.1 * whole.size * max(len(pixels), 1) and (drawn > 0 or not whole.any())


def test_where_plant_may_be_the_rim_that_squares_leave_out_counts():
    mask = np.zeros((10, 13), bool)
    mask[1, 2] = True
    held = Vegetation(np.zeros((10, 13), np.uint8), np.zeros((10, 13, 3), np.uint8), mask, 1).held
    assert held.shape == (3, 4)
    assert held.tolist() == [[True, False, False, True], [False] * 3 + [True], [True] * 4]
