"""Stems by the shape of plants: regions of plant, their arms, widths and sizes; no learned network.

Every place on the plant mask is judged by the plant around it (``shape_places``), the likeliest are weighed against one
another and against the photo's usual plant (``shape_peaks``), both by scoring cards (``shape_card``): tables of points
fitted on photos with known stems by ``standcam.training.shape``.
"""

from __future__ import annotations

import numpy as np

from standcam.ground.map import GroundMap
from standcam.plants.heat import apart
from standcam.plants.shape_card import cards_of
from standcam.plants.shape_peaks import PEAK_MEASURES, bases, peak_measures, peaks_of, shared_out
from standcam.plants.shape_places import SHEET_CM, measures, places_on
from standcam.plants.stems import Seen
from standcam.plants.view import View
from standcam.settings import StemSettings
from standcam.vegetation.segment import Vegetation


def look_over(
    field_cm: np.ndarray,
    vegetation: Vegetation,
    ground: GroundMap,
    view: View,
    settings: StemSettings | None = None,
) -> Seen:
    """Find stems and weeds all over the photo by the shape of the plants.

    As every :class:`standcam.plants.locate.Locator`.
    """
    settings = settings or StemSettings()
    cards = cards_of(settings.card)
    places = places_on(field_cm, vegetation, ground, view, settings)
    values = measures(places)
    peaks = peaks_of(places, cards.places.probability(values))
    if not len(peaks):
        return Seen.nothing()
    judged = peak_measures(places, peaks)
    base_cm = bases(places, peaks, values, cards.base)
    lean = np.linalg.norm(places.lean[peaks.index], axis=1)
    typical = np.exp(judged[:, PEAK_MEASURES.index("typical")])
    variance = np.stack([np.ones(len(lean)), lean**2, typical], axis=1) @ np.array(cards.variance)
    crop = shared_out(cards.peaks.probability(judged), base_cm, places.region[peaks.index])
    likely = _apart(base_cm, np.where(crop >= settings.lowest_probability, crop, 0), settings.apart_cm)
    weed = cards.weeds.probability(judged)
    weeds = _apart(base_cm, np.where(weed >= settings.weed_probability, weed, 0), settings.weeds_apart_cm)
    on_ground = places.frame.to_ground(base_cm / SHEET_CM)
    # nobody can be sure by shape alone
    return Seen(
        on_ground[likely],
        np.clip(crop[likely], 0, 0.98),
        np.sqrt(variance[likely]),
        on_ground[weeds],
        weed[weeds],
        cards.calibration,
    )


def _apart(base_cm: np.ndarray, probability: np.ndarray, apart_cm: float) -> np.ndarray:
    """Indices of the likeliest, none without any likelihood, no two nearer than ``apart_cm``."""
    order = np.argsort(-probability, kind="stable")
    order = order[probability[order] > 0]
    return order[apart(base_cm[order], apart_cm)]
