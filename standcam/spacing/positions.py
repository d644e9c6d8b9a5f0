"""The waist: plants found in photos become positions along rows, the same table that a hand tape gives."""

from __future__ import annotations

import numpy as np
import pandas as pd

from standcam import tables


def positions_from_plants(plants: pd.DataFrame, source: str = "photo") -> pd.DataFrame:
    """Positions of the crop plants, sorted along each row.

    Weeds stay behind, and so do plants without a finite position (a photo without scale): those are counted,
    but have no place.

    Parameters
    ----------
    plants : DataFrame
        PLANTS, crop and weeds.
    source : str
        photo, tape or synthetic.

    Returns
    -------
    DataFrame
        POSITIONS; photos in the order they came in.
    """
    plants = tables.conform(tables.PLANTS, plants)
    crop = plants[plants["is_crop"].to_numpy(bool) & np.isfinite(plants["position_cm"].to_numpy(float))]
    photo_order, _ = pd.factorize(crop["photo"])
    order = np.lexsort((crop["plant"], crop["position_cm"], crop["row"], photo_order))
    crop = crop.iloc[order]
    return tables.conform(
        tables.POSITIONS, crop[[c for c in tables.POSITIONS.names if c in crop]].assign(source=source)
    )
