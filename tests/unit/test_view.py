"""Where the camera is taken to be."""

import dataclasses

import numpy as np
import pytest
from fixtures.upper import flat

from standcam.plants.view import view_of
from standcam.synthetic.camera import place_camera
from standcam.synthetic.recipe import CameraRecipe


def test_a_known_camera_is_used():
    ground = dataclasses.replace(flat(0.1, 800, 600), camera_cm=(12.0, -7.0, 140.0))
    view = view_of(ground)
    assert view.foot_cm == (12.0, -7.0) and view.height_cm == 140.0


@pytest.mark.parametrize(("width", "height"), [(4000, 3000), (3000, 4000)])
def test_an_unknown_one_is_that_of_a_phone_over_the_middle(width, height):
    # the generator's phone: 26 mm equivalent on a 4:3 picture, looking straight down
    made = place_camera(CameraRecipe(width_px=width, height_px=height, tilt_deg=0.0, height_mm=1300.0))
    ground = made.ground_map()
    assumed = view_of(dataclasses.replace(ground, camera_cm=None))
    assert assumed.height_cm == pytest.approx(130.0, rel=0.01)
    np.testing.assert_allclose(assumed.foot_cm, made.position_mm[:2] / 10, atol=1e-6)
