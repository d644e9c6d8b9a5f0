"""Lens profiles: distortion of points and their TOML."""

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standcam.errors import BadSettings
from standcam.ground.lens import LensProfile, lens_toml, read_lens

W, H = 4000, 3000
GRID = np.stack(np.meshgrid(np.linspace(0, W - 1, 25), np.linspace(0, H - 1, 19)), -1).reshape(-1, 2)
LENSES = [(-0.10, 0.0), (-0.25, 0.08), (0.12, -0.02), (0.05, 0.0), (-0.05, 0.02)]


@pytest.mark.parametrize(("k1", "k2"), LENSES)
def test_agrees_with_opencv(k1, k2):
    """Against cv2.undistortPoints and cv2.projectPoints, the general reference library for this model."""
    lens = LensProfile(0.75, (0.507, 0.494), k1, k2)
    K, distortion = lens.matrix(W, H), np.array([k1, k2, 0, 0])
    ends = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 2000, 1e-12)
    undistorted = cv2.undistortPoints(GRID[:, None], K, distortion, R=None, P=K, criteria=ends)[:, 0]
    np.testing.assert_allclose(lens.undistort(GRID, W, H), undistorted, atol=1e-3)
    rays = np.c_[(GRID - K[:2, 2]) / K[0, 0], np.ones(len(GRID))]
    distorted = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), K, distortion)[0][:, 0]
    np.testing.assert_allclose(lens.distort(GRID, W, H), distorted, atol=1e-6)


@given(
    st.floats(0.4, 3),
    st.floats(-0.3, 0.3),
    st.floats(-0.1, 0.1),
    st.lists(st.tuples(st.floats(0, W - 1), st.floats(0, H - 1)), min_size=1, max_size=20),
)
def test_undistort_then_distort_comes_back(focal, k1, k2, points):
    lens = LensProfile(focal, (0.5, 0.5), k1, k2)
    points = np.array(points)
    back = lens.distort(lens.undistort(points, W, H), W, H)
    radius = np.hypot(*(points - lens.matrix(W, H)[:2, 2]).T) / (focal * W)
    # at the very turn the inverse is infinitely steep; beyond it there is none
    inside = radius < 0.99 * lens.reach[1]
    np.testing.assert_allclose(back[inside], points[inside], atol=1e-6)
    assert np.isnan(back[radius > 1.01 * lens.reach[1]]).all()


def test_where_the_model_folds_there_is_no_answer():
    """The model x (1 - 0.3 x²) rises up to x = 1 / sqrt(0.9) and falls behind it."""
    lens = LensProfile(0.5, k1=-0.3)
    assert lens.reach == pytest.approx((1 / 0.9**0.5, 2 / 3 / 0.9**0.5))
    middle = lens.matrix(W, H)[:2, 2]
    far = middle + np.array([[0.5 * W * 1.2, 0], [0.5 * W * 1.0, 0]])
    out = lens.distort(far, W, H)
    assert np.isnan(out[0]).all()
    assert out[1, 0] == pytest.approx(middle[0] + 0.5 * W * 0.7)
    assert LensProfile(0.5, k1=0.1).reach == (np.inf, np.inf)


def test_no_points_and_no_distortion():
    for lens in (LensProfile(0.75), LensProfile(0.75, k1=-0.1)):
        assert lens.undistort(np.empty((0, 2)), W, H).shape == (0, 2)
        assert lens.distort(np.empty((0, 2)), W, H).shape == (0, 2)
    np.testing.assert_array_equal(LensProfile(0.75).undistort(GRID, W, H), GRID)
    middle = LensProfile(0.75, k1=-0.1).matrix(W, H)[:2, 2]
    np.testing.assert_allclose(LensProfile(0.75, k1=-0.1).undistort(middle, W, H), middle[None])


def test_one_profile_serves_all_sizes_and_both_ways_up():
    lens = LensProfile(0.75, (0.51, 0.48), -0.1, 0.02)
    np.testing.assert_allclose(lens.matrix(W, H)[:2, 2], [0.51 * W - 0.5, 0.48 * H - 0.5])
    # half the size: the picture's corner (-0.5, -0.5) stays, all distances halve
    half = (lens.undistort(GRID, W, H) + 0.5) / 2 - 0.5
    np.testing.assert_allclose(lens.undistort((GRID + 0.5) / 2 - 0.5, W // 2, H // 2), half, atol=1e-6)
    # turned a quarter clockwise, as Exif orientation 6 is shown: (x, y) -> (H - 1 - y, x)
    turned = np.c_[H - 1 - GRID[:, 1], GRID[:, 0]]
    wanted = lens.undistort(GRID, W, H)
    np.testing.assert_allclose(lens.undistort(turned, H, W), np.c_[H - 1 - wanted[:, 1], wanted[:, 0]], atol=1e-6)


def test_toml_round_trip(tmp_path):
    lens = LensProfile(0.734567, (0.501234, 0.498765), -0.012345, 0.067891, 'the "grey" one', 0.321, "2026-05-04")
    path = tmp_path / "lens.toml"
    path.write_text(lens_toml(lens, ["two", "comments"]), encoding="utf-8")
    assert read_lens(path) == lens
    assert path.read_text().startswith("# two\n# comments\n[lens]\n")


@pytest.mark.parametrize(
    "text",
    [
        "focal = 0.7",
        "[lens]\nfocal = 0.7\ncentre = [0.5]\nk1 = 0\nk2 = 0",
        "[lens]\nfocal = -0.7\ncentre = [0.5, 0.5]\nk1 = 0\nk2 = 0",
        "[lens]\nfocal = 0.7\ncentre = [2000, 1500]\nk1 = 0\nk2 = 0",
        "[lens]\nfocal = nan\ncentre = [0.5, 0.5]\nk1 = 0\nk2 = 0",
        "[lens]\nfocal = 'wide'\ncentre = [0.5, 0.5]\nk1 = 0\nk2 = 0",
        "[lens",
    ],
)
def test_bad_profiles_are_named(tmp_path, text):
    path = tmp_path / "odd.toml"
    path.write_text(text)
    with pytest.raises(BadSettings, match=r"odd\.toml.*standcam lens"):
        read_lens(path)


def test_missing_profile(tmp_path):
    with pytest.raises(BadSettings, match=r"none\.toml cannot be read"):
        read_lens(tmp_path / "none.toml")
