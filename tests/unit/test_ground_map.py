"""Ground maps: pixel to ground and back, scale, feet of things that stand up, and sky."""

import dataclasses

import numpy as np
import pytest
from fixtures.upper import flat
from hypothesis import given
from hypothesis import strategies as st

from standcam.errors import NoScale
from standcam.ground.lens import LensProfile
from standcam.ground.map import GroundMap, camera_place, uniform_map
from standcam.synthetic.camera import Camera, place_camera
from standcam.synthetic.recipe import CameraRecipe


def camera(**values) -> Camera:
    return place_camera(CameraRecipe(**values))


def horizon_camera() -> Camera:
    """Looks ahead, the horizon at a third of the picture's height."""
    ahead = camera(tilt_deg=60.0, height_mm=800.0, focal_length_35mm=13.0)
    assert not np.isfinite(ahead.to_plane(np.array([[400.0, 0.0]]))).any()
    return ahead


@given(
    tilt=st.floats(0, 45),
    roll=st.floats(-30, 30),
    azimuth=st.floats(0, 360),
    k1=st.floats(-0.05, 0.05),
    x=st.floats(0, 799),
    y=st.floats(0, 599),
)
def test_pixels_come_back(tilt, roll, azimuth, k1, x, y):
    ground = camera(tilt_deg=tilt, roll_deg=roll, azimuth_deg=azimuth, k1=k1).ground_map()
    place = ground.to_ground([[x, y]])
    if np.isfinite(place).all():
        np.testing.assert_allclose(ground.to_pixels(place), [[x, y]], atol=1e-5)


def test_the_map_agrees_with_the_camera_that_made_it():
    made = camera(tilt_deg=25.0, roll_deg=5.0, k1=0.03)
    px = np.random.default_rng(1).uniform(0, 600, (50, 2))
    np.testing.assert_allclose(made.ground_map().to_ground(px) * 10, made.to_plane(px), rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("height_cm", [80.0, 150.0])
def test_ground_sampling_distance_straight_down(height_cm):
    # GSD = sensor width x height / (focal length x pixels across): 36 mm frame, 4:3 picture by its diagonal
    ground = camera(tilt_deg=0.0, height_mm=height_cm * 10).ground_map()
    focal_px = 26 / np.hypot(36, 24) * np.hypot(800, 600)
    np.testing.assert_allclose(ground.cm_per_px([[100, 100], [700, 500]]), height_cm / focal_px, rtol=1e-6)


def test_scale_is_the_root_of_the_area_ratio():
    ground = camera(tilt_deg=30.0).ground_map()
    square = np.array([[400, 200], [402, 200], [402, 202], [400, 202.0]])
    x, y = ground.to_ground(square).T
    area = 0.5 * abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1)))  # shoelace formula
    assert ground.cm_per_px([[401, 201]])[0] == pytest.approx(np.sqrt(area / 4), rel=1e-3)


def test_sky_has_no_ground_and_ground_behind_the_camera_no_pixel():
    made = horizon_camera()
    ground = made.ground_map()
    px = np.array([[400.0, y] for y in (0, 50, 599)])
    np.testing.assert_array_equal(np.isfinite(ground.to_ground(px)), np.isfinite(made.to_plane(px)))
    assert not np.isfinite(ground.cm_per_px(px[:1])).any()
    # 5 m behind a camera that looks along +y
    back = made.position_mm[:2] / 10 - [0, 500]
    assert not np.isfinite(ground.to_pixels([back])).any()
    ahead = made.position_mm[:2] / 10 + [0, 200]
    assert np.isfinite(ground.to_pixels([ahead])).all()


def test_nothing_is_odd_about_no_points():
    ground = flat(0.1, 80, 60)
    none = np.empty((0, 2))
    assert ground.to_ground(none).shape == ground.to_pixels(none).shape == (0, 2)
    assert ground.cm_per_px(none).shape == (0,)
    assert ground.foot_of(none, 3.0).shape == (0, 2)


# parallax


def test_a_leaf_ten_centimetres_up_one_metre_off_axis():
    # similar triangles: from 1.5 m a point 10 cm up at 1 m is seen at 1 m x 150 / 140, 71 mm further out
    ground = dataclasses.replace(flat(0.1, 800, 600), camera_cm=(0.0, 0.0, 150.0))
    seen = np.array([[100 * 150 / 140, 0.0]])
    np.testing.assert_allclose(ground.foot_of(seen, 10.0), [[100.0, 0.0]])


@given(x=st.floats(-900, 900), y=st.floats(-900, 900), height=st.floats(0, 600))
def test_feet_are_where_the_camera_sees_tips_against_the_ground(x, y, height):
    made = camera(tilt_deg=20.0)
    ground = made.ground_map()
    px, _ = made.project(np.array([[x, y, height]]))
    if np.isfinite(px).all():
        foot = ground.foot_of(ground.to_ground(px), height / 10)
        np.testing.assert_allclose(foot * 10, [[x, y]], atol=1e-4)


def test_without_a_camera_points_stay():
    points = np.array([[3.0, 4.0]])
    np.testing.assert_array_equal(flat(0.1, 80, 60).foot_of(points, 10.0), points)


# where the camera was


@given(tilt=st.floats(0, 50), roll=st.floats(-20, 20), azimuth=st.floats(0, 360))
def test_the_camera_is_found_from_the_homography(tilt, roll, azimuth):
    made = camera(tilt_deg=tilt, roll_deg=roll, azimuth_deg=azimuth)
    found = camera_place(made.ground_map().ground_from_px, made.lens.matrix(800, 600))
    np.testing.assert_allclose(np.array(found) * 10, made.position_mm, rtol=1e-5, atol=1e-3)


def test_a_plane_on_edge_fits_no_camera():
    # all pixels of ground on one line
    with pytest.raises((NoScale, np.linalg.LinAlgError)):
        camera_place(np.array([[1, 0, 0], [2, 0, 0], [0, 0, 1.0]]), np.diag([800, 800, 1.0]))


# one scale


def test_uniform_map_is_right_handed_and_has_its_origin_in_the_middle():
    ground = uniform_map(0.2, 801, 601, "points")
    np.testing.assert_allclose(ground.to_ground([[400, 300], [410, 300], [400, 290]]), [[0, 0], [2, 0], [0, 2]])
    assert ground.has_scale
    assert not uniform_map(0.2, 801, 601, "none").has_scale


def test_hulls_of_all_marks_are_listed():
    square = ((0.0, 0.0), (9.0, 0.0), (9.0, 9.0))
    ground = dataclasses.replace(flat(0.1, 80, 60), more_hulls_px=(square,))
    assert ground.hulls_px == (square,)
    assert dataclasses.replace(ground, mark_hull_px=square).hulls_px == (square, square)


def test_a_lens_bends_the_map_about_the_middle():
    straight = flat(0.1, 800, 600)
    bent = dataclasses.replace(straight, lens=LensProfile(0.8, k1=0.05))
    middle = [[399.5, 299.5]]
    np.testing.assert_allclose(bent.to_ground(middle), straight.to_ground(middle), atol=1e-9)
    # k1 above 0 is pincushion: a pixel far out shows ground nearer to the middle
    assert np.linalg.norm(bent.to_ground([[799, 599]])) < np.linalg.norm(straight.to_ground([[799, 599]]))


def test_maps_are_plain_records():
    ground = flat(0.1, 80, 60)
    assert dataclasses.replace(ground, method="board").method == "board"
    with pytest.raises(dataclasses.FrozenInstanceError):
        ground.method = "none"
    assert isinstance(ground, GroundMap)
