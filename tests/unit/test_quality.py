"""Blur and over-exposure flags on made-up ground whose faults are known."""

import cv2
import numpy as np
import pytest

from standcam import flags
from standcam.images.quality import burnt_share, clipped_share, quality_flags, sharpness
from standcam.images.reduce import reduce


def ground(seed=1, size=(900, 1200)):
    """Soil as a sum of random fields of many grain sizes, amplitudes falling with fineness, as clods have."""
    rng = np.random.default_rng(seed)
    total = np.zeros(size, np.float32)
    for grain in (2, 4, 8, 16, 32, 64):
        field = rng.normal(size=(size[0] // grain + 2, size[1] // grain + 2)).astype(np.float32)
        total += cv2.resize(field, size[::-1], interpolation=cv2.INTER_CUBIC) * 6
    return np.clip(total[..., None] + np.array([120, 95, 70]), 0, 255).astype(np.uint8)


@pytest.fixture(scope="module")
def soil():
    return ground()


def test_a_good_photo_has_no_flag(soil):
    assert quality_flags(soil) == 0


@pytest.mark.parametrize("light", [0.35, 0.7, 1.4])
def test_dim_and_bright_light_do_not_pass_for_blur(soil, light):
    assert quality_flags(np.clip(soil * light, 0, 255).astype(np.uint8)) == 0


def test_blur_is_flagged_even_under_noise(soil):
    noise = np.random.default_rng(2).normal(0, 3, soil.shape)
    blurred = np.clip(cv2.GaussianBlur(soil, (0, 0), 4) + noise, 0, 255).astype(np.uint8)
    assert quality_flags(blurred) == flags.bit("blurred")


@pytest.mark.parametrize("longer_side", [1600, 2200])
def test_blur_of_four_pixels_is_flagged_and_of_one_is_not(longer_side):
    photo = ground(3, (longer_side * 3 // 4, longer_side))
    assert quality_flags(cv2.GaussianBlur(photo, (0, 0), 1)) == 0
    assert quality_flags(cv2.GaussianBlur(photo, (0, 0), 4)) == flags.bit("blurred")


def test_one_burnt_channel_is_enough(soil):
    red = soil.copy()
    red[..., 0] = np.where(np.arange(soil.shape[1]) < 0.35 * soil.shape[1], 255, red[..., 0])
    assert burnt_share(red) == 0 and clipped_share(red) == pytest.approx(0.35, abs=0.01)
    assert quality_flags(red) & flags.bit("overexposed")


@pytest.mark.parametrize("upright", [False, True])
def test_motion_in_one_direction_is_flagged(soil, upright):
    kernel = np.zeros((15, 15), np.float32)
    kernel[7] = 1 / 15
    moved = cv2.filter2D(soil, -1, kernel.T if upright else kernel)
    assert quality_flags(moved) == flags.bit("blurred")


def test_burnt_ground_is_flagged_and_a_white_board_is_not(soil):
    board = soil.copy()
    board[240:420, 300:570] = 255
    assert quality_flags(board) == 0
    assert quality_flags(np.clip(soil * 3.5, 0, 255).astype(np.uint8)) & flags.bit("overexposed")


def test_a_flat_picture_is_not_called_blurred():
    assert quality_flags(np.full((300, 400, 3), 90, np.uint8)) == 0
    assert np.isnan(sharpness(np.full((300, 400, 3), 90, np.uint8)))


def test_known_ratios():
    """By hand: a linear ramp steps 4 times as far over 4 pixels; white noise steps as far anywhere."""
    ramp = np.repeat(np.add.outer(np.arange(100.0), np.arange(120.0))[..., None], 3, axis=2).astype(np.uint8)
    assert sharpness(ramp) == pytest.approx(0.25, abs=1e-3)
    noise = np.random.default_rng(0).integers(0, 256, (400, 400), dtype=np.uint8)
    assert sharpness(np.repeat(noise[..., None], 3, axis=2)) == pytest.approx(1, abs=0.02)
    half = np.zeros((100, 100, 3), np.uint8)
    half[:50] = 252
    assert burnt_share(half) == 0.5


@pytest.mark.parametrize("size", [(1500, 2000), (400, 300), (37, 1601), (1, 5000)])
def test_reduced_copies_keep_shape_and_mean(size):
    picture = np.random.default_rng(0).integers(0, 256, (*size, 3), dtype=np.uint8)
    small = reduce(picture, 400)
    assert min(300, max(size)) <= max(small.shape[:2]) <= 400
    assert min(small.shape[:2]) >= 1
    assert small.mean() == pytest.approx(picture.mean(), abs=3)


def test_reduced_copies_are_not_shifted():
    """A blob stays at its place, pixel centres at integers: (x + 0.5) ratio - 0.5."""
    y, x = np.mgrid[:1210, :1620].astype(float)
    blob = (255 * np.exp(-((x - 1000) ** 2 + (y - 400) ** 2) / 5000)).astype(np.uint8)
    small = reduce(np.repeat(blob[..., None], 3, axis=2), 500)[..., 0].astype(float)
    ratio = np.array([small.shape[1] / 1620, small.shape[0] / 1210])
    yy, xx = np.mgrid[: small.shape[0], : small.shape[1]]
    centre = np.array([(small * xx).sum(), (small * yy).sum()]) / small.sum()
    assert np.allclose(centre, (np.array([1000, 400]) + 0.5) * ratio - 0.5, atol=0.1)


def test_shares_are_of_pixels_whatever_their_order_in_memory():
    """Against numpy over the colour axis."""
    rgb = np.random.default_rng(5).integers(200, 256, (30, 40, 3), dtype=np.uint8)
    for picture in (rgb, rgb[::2, ::-1]):
        assert burnt_share(picture) == (picture.min(axis=2) >= 250).mean()
        assert clipped_share(picture) == (picture.max(axis=2) >= 250).mean()
