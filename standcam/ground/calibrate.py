"""Ground scale of a photo: a register of methods, and ``auto``, which says what it took and why.

A method is a function ``(Photo, CalibrationSettings) -> GroundMap`` that raises NoScale, BoardNotFound or
StickNotFound when it cannot serve. To add one: write it in a module of its own, put it in ``METHODS`` at the
place where ``auto`` should try it, and name it in the note on ``CalibrationSettings.method``.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

from standcam import flags
from standcam.errors import BadSettings, BoardNotFound, NoScale, StickNotFound
from standcam.ground.board import map_from_board
from standcam.ground.flight import map_from_flight
from standcam.ground.focal import focal_of
from standcam.ground.height import map_from_height
from standcam.ground.map import GroundMap, uniform_map
from standcam.ground.points import map_from_points
from standcam.ground.stick import map_from_stick
from standcam.images.photo import Photo
from standcam.settings import CalibrationSettings

Method = Callable[[Photo, CalibrationSettings], GroundMap]


def map_without_scale(photo: Photo, settings: CalibrationSettings) -> GroundMap:
    """Centimetres for inner use only, from an assumed height; never reported (``has_scale`` is False)."""
    focal = focal_of(photo, settings)
    return uniform_map(
        settings.assumed_height_cm / focal.K[0, 0],
        photo.width_px,
        photo.height_px,
        "none",
        lens=focal.lens,
        flags=flags.bit("no_scale", "scale_flat", "no_parallax"),
        notes=("No ground scale: centimetres are left empty.",),
    )


METHODS: dict[str, Method] = {
    "points": map_from_points,
    "board": map_from_board,
    "stick": map_from_stick,
    "height": map_from_height,
    "none": map_without_scale,
}
"""Methods by name, in the order in which ``auto`` tries them; ``none`` always serves."""

BY_NAME: dict[str, Method] = METHODS | {"flight": map_from_flight}
"""With those that only serve who asks for them: heights that phones note say nothing of their height above a row."""


def calibrate(photo: Photo, settings: CalibrationSettings | None = None) -> GroundMap:
    """Ground map of a photo by the method that ``settings.method`` names, or by the first that serves.

    Raises
    ------
    BoardNotFound, StickNotFound, NoScale
        The method named cannot serve. ``auto`` raises none of these: it ends with a map without scale.
    BadSettings
        An unknown method, or a board file or lens profile that cannot be read.
    """
    settings = settings or CalibrationSettings()
    if settings.method != "auto":
        if settings.method not in BY_NAME:
            raise BadSettings(f"calibration.method is {settings.method!r}.", f"Use auto, {', '.join(BY_NAME)}.")
        return BY_NAME[settings.method](photo, settings)
    refusals: list[str] = []
    for name, method in METHODS.items():
        try:
            found = method(photo, settings)
        except (NoScale, BoardNotFound, StickNotFound) as reason:
            refusals.append(f"Not {name}: {reason.reason}")
            continue
        return dataclasses.replace(found, notes=(*found.notes, *refusals))
    raise AssertionError("the method none serves always")
