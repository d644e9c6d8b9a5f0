"""The ways of finding stems, by name, behind one call."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from standcam.ground.map import GroundMap
from standcam.plants import shape, stems
from standcam.plants.stems import Seen
from standcam.plants.view import View
from standcam.settings import StemSettings
from standcam.vegetation.segment import Vegetation


class Locator(Protocol):
    """Finds stems and weeds all over a photo, before any row is known."""

    def __call__(
        self,
        field_cm: np.ndarray,
        vegetation: Vegetation,
        ground: GroundMap,
        view: View,
        settings: StemSettings | None = None,
    ) -> Seen:
        """See :func:`look_over`."""


LOCATORS: dict[str, Locator] = {"learned": stems.look_over, "shape": shape.look_over}
"""By the names of ``StemSettings.locator``."""


def look_over(
    field_cm: np.ndarray,
    vegetation: Vegetation,
    ground: GroundMap,
    view: View,
    settings: StemSettings | None = None,
) -> Seen:
    """Find stems and weeds all over the photo by the locator that the settings name.

    Parameters
    ----------
    field_cm : (n, 2) array
        Ground in which stems can be resolved; its bounding box is looked at. [cm]
    vegetation, ground, view
    settings : StemSettings, optional

    Returns
    -------
    Seen
        Crop stems at least ``settings.lowest_probability`` likely, no two closer than ``settings.apart_cm``; weeds
        likewise by their own settings.
    """
    settings = settings or StemSettings()
    return LOCATORS[settings.locator](field_cm, vegetation, ground, view, settings)
