"""What is true of the plants of a picture, however it was drawn: photo, strip or frame of a flight."""

from __future__ import annotations

import numpy as np
import pandas as pd

from standcam.synthetic.recipe import SceneRecipe

VISIBLE_SHARE = 0.25
"""A plant counts as visible only when at least this share of it shows."""


def lay_bases(plants: pd.DataFrame, recipe: SceneRecipe) -> None:
    """Add ``z_mm`` of the stem bases: those of the crop lie in the furrow."""
    plants["z_mm"] = np.where(plants.kind == "weed", 0.0, 0.0 - recipe.ground.furrow_depth_mm)


def place_table(plants: pd.DataFrame, image: str, px: np.ndarray, inside: np.ndarray) -> pd.DataFrame:
    """The columns of the truth that need no rendering, a line a plant.

    Parameters
    ----------
    plants : DataFrame
        Of a field, with ``z_mm``.
    image : str
    px : (n, 2)
        Their stem bases in it. [px]
    inside : (n,) bool
        Whether these lie in the picture.
    """
    return pd.DataFrame(
        {
            "image": image,
            "plant_id": plants.plant_id,
            "row_id": plants.row_id,
            "kind": plants.kind,
            "x_px": px[:, 0].round(2),
            "y_px": px[:, 1].round(2),
            "x_along_row_mm": plants.x_mm.round(2),
            "y_across_mm": plants.y_mm.round(2),
            "z_mm": plants.z_mm.round(2),
            "leaf_count": plants.leaf_count,
            "in_image": inside.astype(int),
            "is_double_of": plants.is_double_of,
        }
    )


def share_shown(shown: pd.DataFrame) -> pd.Series:
    """Share of each plant that shows, of what :func:`standcam.synthetic.render.visibility` tells. (n,) [1]"""
    return (shown.n_px / shown.whole_px.where(shown.whole_px > 0)).fillna(0.0).clip(0, 1)


def masks(owners: np.ndarray, listed: np.ndarray, kind: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Classes and plants of pixels.

    Parameters
    ----------
    owners : (h, w) int
        1 + number of the plant that a pixel shows, 0 for none.
    listed : (n,) bool
        Plants that the truth table has.
    kind : (n,) str

    Returns
    -------
    labels : (h, w) uint8
        0 soil, 1 crop, 2 weed.
    plant_ids : (h, w) int32
        1 + row of the truth table, 0 for none.
    """
    number = np.r_[0, np.where(listed, np.cumsum(listed), 0)].astype(np.int32)
    label = np.r_[0, np.where(kind == "weed", 2, 1)].astype(np.uint8)
    return label[owners], number[owners]


def counts(truth: pd.DataFrame) -> dict[str, int]:
    """Plants of a truth table, for the record."""
    crop = truth.kind != "weed"
    return {
        "crop_visible": int((crop & (truth.visible == 1)).sum()),
        "crop_in_image": int((crop & (truth.in_image == 1)).sum()),
        "weeds_in_image": int((~crop & (truth.in_image == 1)).sum()),
    }
