"""The plant mask against the true one of drawn scenes."""

import cv2
import numpy as np
import pytest
from fixtures.scenes import scene
from fixtures.upper import photo_of

from standcam.vegetation.segment import segment

GROWN = ["plain", "sun", "overcast", "stick", "soybean", "weedy", "portrait", "tilted"]


def mask_of(made, rgb=None):
    vegetation = segment(photo_of(made.rgb if rgb is None else rgb), made.ground_map())
    assert vegetation.factor == 1  # these small scenes are coarser than the working picture needs
    return vegetation.mask


def overlap(a, b):
    return (a & b).sum() / (a | b).sum()


@pytest.mark.parametrize("name", GROWN)
def test_mask_finds_leaves_and_little_else(name):
    made = scene(name)
    mask, truth = mask_of(made), made.labels > 0
    near = cv2.dilate(truth.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    # leaves are 2 to 10 pixels wide here, so a rim of half a pixel is a tenth of a leaf: recall and, with one
    # pixel granted, precision ask only that leaves are found and that nothing else is
    assert (mask & truth).sum() / truth.sum() > 0.85
    assert (mask & near).sum() / mask.sum() > 0.9
    # areas become plants' sizes
    assert mask.mean() == pytest.approx(truth.mean(), rel=0.4)


@pytest.mark.parametrize("name", ["sun", "overcast", "soybean", "stick"])
@pytest.mark.parametrize(
    ("change", "gains"),
    [("darker", (0.6, 0.6, 0.6)), ("warmer", (1.12, 1.0, 0.85)), ("cooler", (0.9, 1.0, 1.12))],
)
def test_exposure_and_white_balance_change_the_mask_little(name, change, gains):
    # the soil of the photo itself is the reference. At 800 x 600 half of a leaf's pixels lie on its rim, so
    # 0.8 of the union is agreement to a third of a pixel
    made = scene(name)
    changed = np.clip(made.rgb * np.array(gains), 0, 255).astype(np.uint8)
    assert overlap(mask_of(made), mask_of(made, changed)) > 0.8


def test_the_mark_is_left_out():
    for name in ("plain", "stick"):
        made = scene(name)
        hull = np.round(made.ground_map().mark_hull_px).astype(np.int32)
        mark = cv2.fillPoly(np.zeros(made.labels.shape, np.uint8), [hull], 1) > 0
        assert mask_of(made)[mark & (made.labels == 0)].mean() < 0.01


def test_bare_soil_has_no_mask():
    # specks of soil add up to less than one small plant
    assert mask_of(scene("bare")).mean() < 2e-4
