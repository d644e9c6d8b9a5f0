"""The truth of a synthetic field: which plants stand where.

The planter model: seed slots at the nominal spacing with a random phase. A slot is skipped with ``p_skip``; a
seed lies about its slot by a normal placement error; with ``p_double`` a second seed lies 10 to 50 mm on;
each seed emerges or not, in time or late, independently. For perfect placement and no doubles the distance of
neighbours is ``nominal x Geometric(p)`` with ``p = (1 - p_skip)(1 - p_no_emergence)``: mean ``nominal / p``,
standard deviation ``nominal sqrt(1 - p) / p``.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from standcam.synthetic.camera import Camera
from standcam.synthetic.recipe import CropRecipe, PlanterRecipe, SceneRecipe

LATE_BEHIND = (1.0, 1.8)
"""How many leaves a late plant is behind (uniform)."""
DOUBLE_MM = (10.0, 50.0)
"""Distance of the two seeds of a double (uniform). [mm]"""

FIELD_COLUMNS = {
    "plant_id": "str",
    "row_id": "Int64",
    "kind": "str",
    "x_mm": "float64",
    "y_mm": "float64",
    "stage": "float64",
    "leaf_count": "Int64",
    "is_double_of": "str",
    "shape_seed": "int64",
}
"""Columns of a field: X along the row, Y across; ``is_double_of`` names the first plant of a pair;
``shape_seed`` draws the plant's form, so that a plant looks the same whichever others are drawn."""

TRUTH_COLUMNS = [
    "image",
    "plant_id",
    "row_id",
    "kind",
    "x_px",
    "y_px",
    "x_along_row_mm",
    "y_across_mm",
    "z_mm",
    "leaf_count",
    "visible",
    "visible_frac",
    "n_px",
    "in_image",
    "base_visible",
    "is_double_of",
]
_RENDERED_COLUMNS = {"visible", "visible_frac", "n_px", "in_image", "base_visible"}
PLACE_COLUMNS = [name for name in TRUTH_COLUMNS if name not in _RENDERED_COLUMNS]
"""Columns that need no rendering: they follow from seed and recipe alone."""


def plant_row(planter: PlanterRecipe, from_mm: float, to_mm: float, rng: np.random.Generator) -> pd.DataFrame:
    """Plants of one row whose slots lie in ``[from_mm, to_mm]``.

    Returns
    -------
    DataFrame
        ``x_mm`` along the row, ``off_mm`` across it, ``late``, ``pair`` (number of the double it belongs to,
        or -1), sorted by slot.
    """
    spacing = planter.nominal_spacing_mm
    slots = np.arange(from_mm + rng.uniform(0, spacing), to_mm, spacing)
    slots = slots[rng.random(len(slots)) >= planter.p_skip]
    first = slots + rng.normal(0, planter.placement_sd_mm, len(slots))
    double = rng.random(len(slots)) < planter.p_double
    second = first + rng.uniform(*DOUBLE_MM, len(slots))
    x = np.r_[first, second[double]]
    pair = np.r_[np.where(double, np.arange(len(slots)), -1), np.flatnonzero(double)]
    order = np.argsort(np.r_[np.arange(len(slots)), np.flatnonzero(double) + 0.5])
    x, pair = x[order], pair[order]
    off = rng.normal(0, planter.lateral_sd_mm, len(x))
    up = rng.random(len(x)) >= planter.p_no_emergence
    late = rng.random(len(x)) < planter.p_late
    return pd.DataFrame({"x_mm": x, "off_mm": off, "late": late, "pair": pair})[up].reset_index(drop=True)


def lay_field(recipe: SceneRecipe, camera: Camera, rng: np.random.Generator, margin_mm: float = 300.0) -> pd.DataFrame:
    """All plants that may touch the picture: rows at multiples of the row width, and weeds anywhere.

    Row 0 lies on Y = 0; a row is laid where the footprint of the camera, widened by ``margin_mm``, has it.
    """
    outline = camera.footprint()
    low, high = outline.min(0) - margin_mm, outline.max(0) + margin_mm
    rows = _row_numbers(recipe.crop, low[1], high[1])
    parts = []
    for row in rows:
        plants = plant_row(recipe.planter, low[0], high[0], rng)
        plants["y_mm"] = plants.pop("off_mm") + row * recipe.crop.row_width_mm
        plants["row_id"] = row
        parts.append(staged(plants, recipe.crop, rng))
    crop = pd.concat(parts, ignore_index=True)
    count = rng.poisson(recipe.crop.weeds_per_m2 * np.prod((high - low) / 1000))
    return finish_field(crop, rng.uniform(low, high, (count, 2)), rng)


def staged(plants: pd.DataFrame, crop: CropRecipe, rng: np.random.Generator) -> pd.DataFrame:
    """Stage and kind of the plants of a row, in place."""
    behind = np.where(plants.late, rng.uniform(*LATE_BEHIND, len(plants)), 0.0)
    plants["stage"] = np.clip(rng.normal(crop.stage, crop.stage_sd, len(plants)) - behind, 0.7, 6.0)
    plants["kind"] = np.where(plants.late, "late crop", "crop")
    return plants


def finish_field(crop: pd.DataFrame, weeds_mm: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    """The field table of staged crop plants and of weeds at places (n, 2) [mm]."""
    crop["plant_id"] = [f"p{n:04d}" for n in range(1, len(crop) + 1)]
    crop["is_double_of"] = _pairs(crop)
    crop["leaf_count"] = np.ceil(crop.stage).astype(int)

    count = len(weeds_mm)
    weeds = pd.DataFrame(weeds_mm, columns=["x_mm", "y_mm"])
    weeds["stage"] = rng.uniform(0.5, 3.5, count)
    weeds["kind"] = "weed"
    weeds["plant_id"] = [f"w{n:04d}" for n in range(1, count + 1)]
    weeds["is_double_of"] = ""

    field = pd.concat([crop, weeds], ignore_index=True) if count else crop
    field["shape_seed"] = rng.integers(0, 2**62, len(field))
    for name in ("row_id", "leaf_count"):
        if name not in field:
            field[name] = pd.NA
    return pd.DataFrame({name: field[name].astype(dtype) for name, dtype in FIELD_COLUMNS.items()})


def _row_numbers(crop: CropRecipe, low_mm: float, high_mm: float) -> np.ndarray:
    return np.arange(np.ceil(low_mm / crop.row_width_mm), np.floor(high_mm / crop.row_width_mm) + 1).astype(int)


def _pairs(crop: pd.DataFrame) -> list[str]:
    """For the second plant of a double of which both emerged: the first one's id."""
    seen: dict[tuple[int, int], str] = {}
    names = []
    for plant, row, pair in zip(crop.plant_id, crop.row_id, crop.pair, strict=True):
        names.append(seen.get((row, pair), "") if pair >= 0 else "")
        seen.setdefault((row, pair), plant)
    return names
