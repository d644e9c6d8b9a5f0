"""Scale of a single raw frame that a drone took straight down: height above the ground and focal length.

The scale is as good as the height: a barometer that counts from the take-off is a metre off after a quarter of an hour
and knows nothing of slopes, and at 10 m a metre is a tenth (common practice, no source). A ground board, ground control
points or a mosaic tell better.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np

from standcam import flags
from standcam.errors import NoScale
from standcam.ground.focal import Focal, focal_of
from standcam.ground.map import GroundMap
from standcam.ground.overhead import Pose, overhead_map
from standcam.images.frame_facts import FrameFacts, read_frame_facts
from standcam.images.photo import Photo
from standcam.settings import CalibrationSettings, FlightSettings

DISAGREE = 0.06
"""Focal lengths by two ways that differ more are not of one camera; the 35 mm one is whole millimetres."""


@dataclasses.dataclass(frozen=True)
class Height:
    """Height of the camera above the ground, and how it is known."""

    cm: float
    given: bool
    note: str


def height_of(facts: FrameFacts, settings: CalibrationSettings, flight: FlightSettings) -> Height:
    """Height given by hand, else altitude less the field's elevation, else height above the take-off.

    Raises
    ------
    NoScale
        None of these is known, or it is not above the ground.
    """
    if settings.camera_height_cm is not None:
        return Height(
            settings.camera_height_cm, True, f"Height of flight {settings.camera_height_cm / 100:g} m as given."
        )
    if flight.ground_elevation_m is not None and facts.altitude_m is not None:
        height_m = facts.altitude_m - flight.ground_elevation_m
        words = f"altitude {facts.altitude_m:.1f} m by EXIF less the field's {flight.ground_elevation_m:.1f} m"
    elif facts.relative_m is not None:
        height_m, words = facts.relative_m, f"height above the take-off {facts.relative_m:.1f} m as noted by the drone"
    else:
        raise NoScale(
            "The height of flight is not known.",
            "Give it with --height-m, or the field's elevation as flight.ground_elevation_m.",
        )
    if not 0.5 <= height_m <= 500:
        raise NoScale(f"The height of flight comes out as {height_m:.1f} m ({words}).", "Give it with --height-m.")
    return Height(100 * height_m, False, f"Height of flight {height_m:.1f} m: {words}.")


def focal_of_frame(width_px: int, height_px: int, facts: FrameFacts, settings: CalibrationSettings) -> Focal:
    """Focal length by profile or setting, else by the sensor's pixels, else by its 35 mm equivalent.

    Raises
    ------
    NoScale
        The frame does not tell it; guessing would be the scale itself.
    BadSettings
        The lens profile cannot be read.
    """
    stand_in = Photo(
        path=Path(),
        rgb=np.broadcast_to(np.uint8(0), (height_px, width_px, 3)),
        sha256="",
        focal_length_35mm=facts.focal_35mm,
    )
    found = focal_of(stand_in, settings)
    if settings.lens is not None or settings.focal_length_35mm is not None:
        return found
    if facts.focal_px is not None:
        if not found.known or abs(found.K[0, 0] / facts.focal_px - 1) < DISAGREE:
            K = found.K.copy()
            K[0, 0] = K[1, 1] = facts.focal_px
            return Focal(
                K, 0.01, None, f"Focal length {facts.focal_px:.0f} px by EXIF (focal length and sensor).", True
            )
        return dataclasses.replace(
            found, note=f"{found.note} Its focal length and sensor tell otherwise ({facts.focal_px:.0f} px): not used."
        )
    if not found.known:
        raise NoScale("The frame tells no focal length.", "Give a lens profile, or calibration.focal_length_35mm.")
    return found


def check_nadir(facts: FrameFacts, flight: FlightSettings) -> tuple[int, str]:
    """Flags and a note on how far the frame looks from straight down.

    Raises
    ------
    NoScale
        Further than ``flight.most_off_nadir_deg``.
    """
    off = facts.off_nadir_deg
    if off is None:
        return flags.bit("scale_flat"), "The frame does not tell how the camera was tilted: taken as straight down."
    if off > flight.most_off_nadir_deg:
        raise NoScale(
            f"The camera looked {off:.0f} degrees off straight down.",
            f"Up to {flight.most_off_nadir_deg:g} degrees are taken: fly with the camera straight down.",
        )
    if off > flight.flag_off_nadir_deg:
        return flags.bit("off_nadir"), f"The camera looked {off:.1f} degrees off straight down, which is allowed for."
    return 0, ""


def map_from_flight(
    photo: Photo,
    settings: CalibrationSettings,
    flight: FlightSettings | None = None,
    facts: FrameFacts | None = None,
) -> GroundMap:
    """Ground map of one nadir frame; origin under the camera, y towards north where the bearing is known.

    Raises
    ------
    NoScale
        Height or focal length are not known, or the camera looked too far aside.
    BadSettings
        The lens profile cannot be read.
    """
    flight = flight or FlightSettings()
    facts = facts or read_frame_facts(photo.path)
    height = height_of(facts, settings, flight)
    focal = focal_of_frame(photo.width_px, photo.height_px, facts, settings)
    flagged, words = check_nadir(facts, flight)
    pitch = facts.pitch_deg if facts.pitch_deg is not None else -90.0
    pose = Pose(0, 0, height.cm, np.deg2rad(facts.yaw_deg or 0.0), -np.deg2rad(90 + pitch), 0.0)
    return overhead_map(
        pose,
        focal.K,
        photo.width_px,
        photo.height_px,
        "flight",
        focal.lens,
        flags=flagged | (0 if height.given else flags.bit("by_altitude")),
        scale_error_pct_per_m=100 * 100 * float(np.sin(np.deg2rad(flight.tilt_error_deg))) / height.cm,
        notes=tuple(note for note in (height.note, focal.note, words) if note),
    )
