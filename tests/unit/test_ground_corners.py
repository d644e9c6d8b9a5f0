import cv2
import numpy as np
import pytest

from standcam.ground.corners import edge_corners


def square(quad, blur=0.8, gamma=2.2, leaf=None):
    """A black quadrangle on white, mixed in linear light, then a tone curve; a grey leaf on top."""
    n = 8
    light = np.full((160 * n, 160 * n), 0.7, np.float32)

    def to_fine(q):
        return np.round((np.asarray(q) + 0.5) * n - 0.5).astype(np.int32)

    cv2.fillPoly(light, [to_fine(quad)], 0.03)
    if leaf is not None:
        cv2.fillPoly(light, [to_fine(leaf)], 0.2)
    light = cv2.resize(light, (160, 160), interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(light, (0, 0), blur)
    return np.round(255 * light ** (1 / gamma)).astype(np.uint8)


QUAD = np.array([[40.3, 45.8], [110.6, 38.2], [118.1, 112.4], [46.9, 118.7]])
START = QUAD + np.array([[1.5, -1.0], [-1.2, 0.8], [0.7, 1.6], [-1.6, -0.9]])


@pytest.mark.parametrize("blur", [0.5, 1.0, 2.0])
def test_corners_are_found_to_a_small_part_of_a_pixel_under_blur(blur):
    corners, weights = edge_corners(square(QUAD, blur), START, 6)
    # the polygon is drawn on a grid of eighths of a pixel, its cells are 12 px, the widest blur a sixth of
    # that
    assert corners == pytest.approx(QUAD, abs=0.2)
    assert (weights == 1).all()


def test_a_leaf_over_a_corner_does_not_move_it():
    leaf = [[96, 30], [122, 30], [122, 62], [108, 62]]
    corners, weights = edge_corners(square(QUAD, leaf=leaf), START, 6)
    assert corners == pytest.approx(QUAD, abs=0.3)
    assert weights.min() > 0.5


def test_a_lost_edge_takes_the_trust_of_its_two_corners():
    leaf = [[20, 20], [140, 20], [140, 56], [20, 62]]
    corners, weights = edge_corners(square(QUAD, leaf=leaf), START, 6)
    assert weights[0] < 0.5
    assert weights[1] < 0.5
    assert weights[2] > 0.5
    assert corners[2] == pytest.approx(QUAD[2], abs=0.2)


def test_a_blank_picture_gives_no_trust():
    corners, weights = edge_corners(np.full((100, 100), 128, np.uint8), START - 20, 6)
    assert (weights == 0).all()
    assert np.isfinite(corners).all()


def test_a_marker_outside_the_picture_gives_no_trust():
    _, weights = edge_corners(np.full((100, 100), 128, np.uint8), START + 500, 6)
    assert (weights == 0).all()
