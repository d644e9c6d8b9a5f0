"""Where the camera stood: known from the calibration, or assumed."""

from __future__ import annotations

from dataclasses import dataclass

from standcam.ground.map import GroundMap


@dataclass(frozen=True)
class View:
    """The camera over the ground."""

    foot_cm: tuple[float, float]
    """Ground point under the camera."""
    height_cm: float


def view_of(ground: GroundMap) -> View:
    """The camera's foot and height; assumed over the picture's middle where the calibration could not tell.

    The assumed height is that of a phone's main camera (26 mm equivalent on a 4:3 picture: the longer side shows
    1.33 times the distance) that sees the ground at the map's scale.
    """
    if ground.camera_cm is not None:
        x, y, z = ground.camera_cm
        return View((x, y), z)
    middle = ground.middle_px
    x, y = ground.to_ground(middle)[0]
    longer = max(ground.width_px, ground.height_px) * float(ground.cm_per_px(middle)[0])
    return View((float(x), float(y)), longer / 1.33)
