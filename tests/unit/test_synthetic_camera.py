"""The synthetic camera against closed forms, OpenCV's projection, and standcam's own ground map."""

import cv2
import numpy as np
import pytest

from standcam.ground.map import camera_place
from standcam.synthetic.camera import place_camera
from standcam.synthetic.recipe import CameraRecipe

TILTED = CameraRecipe(
    width_px=900,
    height_px=700,
    height_mm=1400,
    tilt_deg=24,
    roll_deg=-7,
    azimuth_deg=70,
    aim_x_mm=50,
    aim_y_mm=-80,
    k1=0.03,
)


def some_ground(n=40, seed=0):
    return np.random.default_rng(seed).uniform([-500, -400], [500, 400], (n, 2))


def test_straight_down_the_scale_is_focal_length_over_height():
    camera = place_camera(CameraRecipe(width_px=1000, height_px=750, height_mm=1250, tilt_deg=0))
    # CIPA DC-008: the 35 mm equivalent compares diagonals, 43.267 mm for a 36 x 24 mm frame
    focal = 26 / 43.2666 * 1250
    assert camera.focal_px == pytest.approx(focal, rel=1e-5)
    px, _ = camera.project(np.array([[0.0, 0, 0], [100, 0, 0], [0, 100, 0]]))
    np.testing.assert_allclose(px[0], [499.5, 374.5], atol=1e-9)
    # up in the picture is +Y, so +X is to the right
    np.testing.assert_allclose(px[1] - px[0], [100 * focal / 1250, 0], atol=1e-2)
    np.testing.assert_allclose(px[2] - px[0], [0, -100 * focal / 1250], atol=1e-2)


def test_a_point_above_the_soil_is_seen_further_out():
    # similar triangles: 100 mm up, 1 m off axis, seen from 1.5 m lands at 1000 x 1500 / 1400 = 1071 mm
    camera = place_camera(CameraRecipe(height_mm=1500, tilt_deg=0))
    px, _ = camera.project(np.array([[1000.0, 0, 100]]))
    np.testing.assert_allclose(camera.to_plane(px), [[1000 * 1500 / 1400, 0]], atol=1e-6)


def test_projection_agrees_with_opencv():
    camera = place_camera(TILTED)
    points = np.c_[some_ground(), np.random.default_rng(1).uniform(-10, 120, 40)]
    K = np.array([[camera.focal_px, 0, 449.5], [0, camera.focal_px, 349.5], [0, 0, 1]])
    rotation, _ = cv2.Rodrigues(camera.rotation)
    shift = -camera.rotation @ camera.position_mm
    expected, _ = cv2.projectPoints(points, rotation, shift, K, np.array([0.03, 0, 0, 0, 0]))
    px, distance = camera.project(points)
    np.testing.assert_allclose(px, expected[:, 0], atol=1e-6)
    np.testing.assert_allclose(distance, np.linalg.norm(points - camera.position_mm, axis=1))


def test_ground_map_and_projection_are_inverse():
    camera = place_camera(TILTED)
    ground = some_ground()
    px, _ = camera.project(np.c_[ground, np.zeros(len(ground))])
    true = camera.ground_map()
    np.testing.assert_allclose(true.to_ground(px) * 10, ground, atol=1e-6)
    np.testing.assert_allclose(true.to_pixels(ground / 10), px, atol=1e-6)
    np.testing.assert_allclose(camera.to_plane(px), ground, atol=1e-6)


def test_camera_aims_where_told_from_the_height_told():
    camera = place_camera(TILTED)
    np.testing.assert_allclose(camera.to_plane(camera.centre_px), [[50, -80]], atol=1e-9)
    assert camera.position_mm[2] == 1400
    forward = camera.rotation[2]
    assert np.rad2deg(np.arccos(-forward[2])) == pytest.approx(24)
    np.testing.assert_allclose(camera.rotation @ camera.rotation.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(camera.rotation) == pytest.approx(1)


def test_camera_place_is_found_again_from_its_homography():
    camera = place_camera(TILTED)
    K = camera.lens.matrix(900, 700)
    found = camera_place(camera.ground_map().ground_from_px, K)
    np.testing.assert_allclose(np.array(found) * 10, camera.position_mm, rtol=1e-6)


def test_what_is_behind_the_camera_or_folded_by_the_lens_is_not_seen():
    camera = place_camera(CameraRecipe(tilt_deg=0, k1=-0.1))
    px, _ = camera.project(np.array([[0.0, 0, 2000], [6000, 0, 0]]))
    assert np.isnan(px).all()


def test_footprint_is_cut_short_of_the_horizon():
    camera = place_camera(CameraRecipe(tilt_deg=60))
    outline = camera.footprint()
    assert np.isfinite(outline).all()
    assert np.linalg.norm(outline - camera.position_mm[:2], axis=1).max() <= 8000 + 1e-6
