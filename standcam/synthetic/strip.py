"""One synthetic strip: recipe and generator in, picture and exact truth out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from standcam.synthetic import noise
from standcam.synthetic.field import PLACE_COLUMNS, TRUTH_COLUMNS
from standcam.synthetic.mosaic import Mosaic, data_mask
from standcam.synthetic.ortho import OrthoCamera
from standcam.synthetic.recipe import SceneRecipe
from standcam.synthetic.render import in_picture
from standcam.synthetic.strip_field import StripField, lay_strip, strip_camera
from standcam.synthetic.strip_render import render_strip
from standcam.synthetic.truth import VISIBLE_SHARE, lay_bases, masks, place_table, share_shown

VISIBLE_MM2 = 32.0
"""A plant counts as visible when its base is in the picture and ``VISIBLE_SHARE`` and this area of it show: two pixels
of 4 mm. [mm²]"""
BAND_PX = 512
"""Rows that are developed at once. [px]"""
HALO_PX = 24
"""Rows above and below that blur and shifts look into. [px]"""


@dataclass(frozen=True)
class Strip:
    """A synthetic strip with all that is true about it."""

    recipe: SceneRecipe
    rgb: np.ndarray
    """uint8. (H, W, 3)"""
    valid: np.ndarray
    """Pixels with data. (H, W)"""
    truth: pd.DataFrame
    """One row a plant that shows or whose base is in the picture, as of photos, and ``map_x``, ``map_y`` [m]."""
    camera: OrthoCamera
    labels: np.ndarray
    """0 soil, 1 crop, 2 weed, uint8. (H, W)"""
    plant_ids: np.ndarray
    """1 + row of ``truth`` a pixel shows, 0 for none, int32. (H, W)"""
    field: StripField


def to_map(recipe: SceneRecipe, px: np.ndarray) -> np.ndarray:
    """Map coordinates of pixels. (n, 2) [px] -> (n, 2) [m]"""
    s = recipe.strip
    step = s.mm_per_px / 1000
    return np.array([s.easting_m, s.northing_m]) + (np.asarray(px, float) + 0.5) * [step, -step]


def strip_field(recipe: SceneRecipe, rng: np.random.Generator) -> StripField:
    """The plants of a strip, with ``z_mm`` of their bases."""
    field = lay_strip(recipe, rng)
    lay_bases(field.plants, recipe)
    return field


def strip_streams(rng: np.random.Generator) -> list[np.random.Generator]:
    """Field, surface, mosaic and sensor: so that what stands where does not hang on how it is drawn."""
    return rng.spawn(4)


def places(recipe: SceneRecipe, field: StripField, camera: OrthoCamera, image: str) -> pd.DataFrame:
    """Row by row of the field, the columns of the truth that need no rendering."""
    plants = field.plants
    px, _ = camera.project(plants[["x_mm", "y_mm", "z_mm"]].to_numpy(float))
    place = to_map(recipe, px)
    table = place_table(plants, image, px, in_picture(px, camera))
    return table.assign(map_x=place[:, 0].round(4), map_y=place[:, 1].round(4))


STRIP_COLUMNS = [*TRUTH_COLUMNS, "map_x", "map_y"]
"""Columns of a strip's truth: those of a photo, and map coordinates [m]."""
STRIP_PLACE_COLUMNS = [*PLACE_COLUMNS, "map_x", "map_y"]
"""Columns that need no rendering: they follow from seed and recipe alone."""


def strip_places(recipe: SceneRecipe, rng: np.random.Generator) -> pd.DataFrame:
    """The truth without rendering: ``STRIP_PLACE_COLUMNS`` of the plants whose base is in the picture."""
    field = strip_field(recipe, strip_streams(rng)[0])
    place = places(recipe, field, strip_camera(recipe), f"{recipe.name}.tif")
    return place.loc[place.in_image == 1, STRIP_PLACE_COLUMNS].reset_index(drop=True)


def make_strip(recipe: SceneRecipe, rng: np.random.Generator) -> Strip:
    """Lay the field, render it from above, piece the mosaic together, develop.

    ``recipe.capture.vignette`` is left out: a mosaic takes the middles of its frames.
    """
    for_field, for_surface, for_mosaic, for_sensor = strip_streams(rng)
    camera = strip_camera(recipe)
    field = strip_field(recipe, for_field)
    truth = places(recipe, field, camera, f"{recipe.name}.tif")
    drawn = render_strip(recipe, field, camera, for_surface)
    valid = data_mask(recipe.strip, for_mosaic)
    at = np.round(truth[["x_px", "y_px"]].to_numpy(float)).astype(int)
    has_data = valid[at[:, 1].clip(0, valid.shape[0] - 1), at[:, 0].clip(0, valid.shape[1] - 1)]
    share = share_shown(drawn.plants)
    area = drawn.plants.n_px * recipe.strip.mm_per_px**2
    truth["in_image"] *= has_data.astype(int)
    truth["visible_frac"] = share.round(3)
    truth["n_px"] = drawn.plants.n_px.round(1)
    truth["base_visible"] = drawn.plants.base_visible.astype(int) * truth.in_image
    truth["visible"] = ((truth.in_image == 1) & (share >= VISIBLE_SHARE) & (area >= VISIBLE_MM2)).astype(int)
    listed = ((drawn.plants.n_px > 0) | (truth.in_image == 1)).to_numpy()
    labels, plant_ids = masks(np.where(valid, drawn.owners, 0), listed, field.plants.kind)
    rgb = _develop(recipe, drawn.linear, Mosaic(recipe.strip, for_mosaic), for_sensor)
    rgb[~valid] = 0
    return Strip(
        recipe=recipe,
        rgb=rgb,
        valid=valid,
        truth=truth.loc[listed, STRIP_COLUMNS].reset_index(drop=True),
        camera=camera,
        labels=labels,
        plant_ids=plant_ids,
        field=field,
    )


def _develop(recipe: SceneRecipe, linear: np.ndarray, mosaic: Mosaic, rng: np.random.Generator) -> np.ndarray:
    """Bands of the picture, developed with one exposure. (H, W, 3) uint8"""
    capture = replace(recipe.capture, vignette=0.0)
    gain = noise.exposure(linear[::4, ::4].astype(np.float32), capture)
    h = len(linear)
    out = np.empty(linear.shape, np.uint8)
    for start in range(0, h, BAND_PX):
        stop = min(start + BAND_PX, h)
        first, last = max(start - HALO_PX, 0), min(stop + HALO_PX, h)
        band = mosaic.pieced(linear[first:last].astype(np.float32), first)
        out[start:stop] = noise.develop(band, capture, rng, gain)[start - first : stop - first]
    return out
