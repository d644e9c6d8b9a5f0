"""Scale from the camera's height and focal length, taken as looking straight down."""

from __future__ import annotations

from standcam import flags
from standcam.errors import NoScale
from standcam.ground.focal import focal_of, untilted_scale_growth_pct_per_m
from standcam.ground.map import GroundMap, uniform_map
from standcam.images.photo import Photo
from standcam.settings import CalibrationSettings


def map_from_height(photo: Photo, settings: CalibrationSettings) -> GroundMap:
    """One scale for the whole picture: height / focal length, the camera over the picture's middle.

    Raises
    ------
    NoScale
        The camera height is not given.
    BadSettings
        The lens profile cannot be read.
    """
    height_cm = settings.camera_height_cm
    if height_cm is None:
        raise NoScale("The camera height was not given.", "Set calibration.camera_height_cm.")
    focal = focal_of(photo, settings)
    return uniform_map(
        height_cm / focal.K[0, 0],
        photo.width_px,
        photo.height_px,
        "height",
        scale_error_pct_per_m=untilted_scale_growth_pct_per_m(height_cm),
        camera_cm=(0.0, 0.0, float(height_cm)),
        lens=focal.lens,
        flags=flags.bit("scale_flat"),
        notes=(
            f"Scale from a camera height of {height_cm:g} cm, the camera taken as looking straight down; "
            "a tilted camera makes lengths away from the middle wrong.",
            focal.note,
        ),
    )
