"""Which focal length a photo was taken with, as well as can be told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standcam.ground.lens import LensProfile, read_lens
from standcam.images.photo import Photo
from standcam.settings import CalibrationSettings

FULL_FRAME_DIAGONAL_MM = float(np.hypot(36, 24))
"""Diagonal of the 36 x 24 mm frame that 35 mm equivalent focal lengths refer to. [mm]"""


@dataclass(frozen=True)
class Focal:
    """Camera matrix of a photo and how sure its focal length is."""

    K: np.ndarray
    """(3, 3) [px]"""
    sd: float
    """Relative standard deviation of the focal length."""
    lens: LensProfile | None
    note: str
    """Where it comes from, in words."""
    known: bool
    """False when assumed."""


def focal_of(photo: Photo, settings: CalibrationSettings) -> Focal:
    """Focal length by lens profile, else by setting, else by EXIF, else assumed.

    The 35 mm equivalent is taken by the diagonal: ``focal_px = f35 * diagonal_px / 43.27`` (CIPA DCG-001, 35
    mm film equivalent by diagonal angle of view; from memory). It is written in whole millimetres, and
    cropped or stabilised pictures keep it, so it is trusted to 3 %. The assumed one is trusted to 8 %.

    Raises
    ------
    BadSettings
        The lens profile cannot be read.
    """
    w, h = photo.width_px, photo.height_px
    if settings.lens is not None:
        lens = read_lens(settings.lens)
        return Focal(lens.matrix(w, h), 0.005, lens, f"Lens profile {lens.name!r}.", True)
    if settings.focal_length_35mm is not None:
        f35, sd, known = settings.focal_length_35mm, 0.03, True
        note = f"Focal length {f35:g} mm (35 mm equivalent) as set."
    elif photo.focal_length_35mm is not None:
        f35, sd, known = photo.focal_length_35mm, 0.03, True
        note = f"Focal length {f35:g} mm (35 mm equivalent) by EXIF."
    else:
        f35, sd, known = settings.assumed_focal_length_35mm, 0.08, False
        note = f"The photo tells no focal length: {f35:g} mm (35 mm equivalent) assumed."
    f = f35 * float(np.hypot(w, h)) / FULL_FRAME_DIAGONAL_MM
    return Focal(np.array([[f, 0, (w - 1) / 2], [0, f, (h - 1) / 2], [0, 0, 1.0]]), sd, None, note, known)


UNKNOWN_TILT_DEG = 15.0
"""Spread of the tilt of hand-held photos of a row, where nothing tells it (common practice, no source).
[deg]"""


def untilted_scale_growth_pct_per_m(height_cm: float) -> float:
    """Growth of the scale error where tilt is not known. [% per m].

    On ground tilted by t against the picture, depth and so scale change by ``sin(t) / height`` with
    distance; t is taken as one standard deviation, ``UNKNOWN_TILT_DEG``.
    """
    return 100 * 100 * float(np.sin(np.deg2rad(UNKNOWN_TILT_DEG))) / height_cm
