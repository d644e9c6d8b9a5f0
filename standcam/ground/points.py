"""Scale from two points on the ground and their true distance, given by hand."""

from __future__ import annotations

import math

import numpy as np

from standcam import flags
from standcam.errors import NoScale
from standcam.ground.focal import focal_of, untilted_scale_growth_pct_per_m
from standcam.ground.map import GroundMap, uniform_map
from standcam.images.photo import Photo
from standcam.settings import CalibrationSettings


def map_from_points(photo: Photo, settings: CalibrationSettings) -> GroundMap:
    """One scale for the whole picture from ``settings.points``.

    Two points tell one length and nothing of the camera's tilt, so the map is flagged ``scale_flat`` and
    ``no_parallax``.

    Raises
    ------
    NoScale
        No points given, or points that give no scale.
    """
    if settings.points is None:
        raise NoScale("No two points were given.", "Set calibration.points = [x_px, y_px, x_px, y_px, length_cm].")
    if len(settings.points) != 5 or not all(math.isfinite(v) for v in settings.points):
        raise NoScale(
            f"calibration.points is {list(settings.points)}.",
            "It takes five numbers: x_px, y_px, x_px, y_px, length_cm.",
        )
    x1, y1, x2, y2, length_cm = settings.points
    for x, y in ((x1, y1), (x2, y2)):
        if not (-0.5 <= x <= photo.width_px - 0.5 and -0.5 <= y <= photo.height_px - 0.5):
            raise NoScale(
                f"The point ({x:g}, {y:g}) lies outside {photo.path.name} "
                f"({photo.width_px} x {photo.height_px} pixels).",
                "Give pixels of the upright photo, x to the right and y down.",
            )
    length_px = math.hypot(x2 - x1, y2 - y1)
    if length_px < 2 or length_cm <= 0:
        raise NoScale(
            f"The two points are {length_px:.1f} pixels and {length_cm:g} cm apart.",
            "Give two different points and their distance on the ground in cm.",
        )
    ends = ((float(x1), float(y1)), (float(x2), float(y2)))
    middle = tuple(float(v) for v in np.mean(ends, axis=0))
    return uniform_map(
        length_cm / length_px,
        photo.width_px,
        photo.height_px,
        "points",
        mark_px=middle,
        scale_error_pct_per_m=untilted_scale_growth_pct_per_m(
            focal_of(photo, settings).K[0, 0] * length_cm / length_px
        ),
        marks_px=(ends,),
        flags=flags.bit("scale_flat", "no_parallax"),
        notes=(
            f"Scale from two given points {length_cm:g} cm apart; one scale for the whole picture, "
            "so a tilted camera makes lengths away from the points wrong.",
        ),
    )
