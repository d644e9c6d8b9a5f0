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
    position = plants["position_cm"].to_numpy(float)
    crop = np.flatnonzero(plants["is_crop"].to_numpy(bool) & np.isfinite(position))
    photo_order, _ = pd.factorize(plants["photo"].array.take(crop))
    plant, row = (plants[name].to_numpy()[crop] for name in ("plant", "row"))
    crop = crop[np.lexsort((plant, position[crop], row, photo_order))]
    # column by column: of few plants, choosing lines of a table takes longer than finding the rows
    columns = {name: plants[name].array.take(crop) for name in tables.POSITIONS.names if name in plants}
    columns["source"] = pd.array([source] * len(crop), dtype="str")
    return tables.conform(tables.POSITIONS, pd.DataFrame({name: columns[name] for name in tables.POSITIONS.names}))
