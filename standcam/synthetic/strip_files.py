"""Files of strips: the mosaic as GeoTIFF, what it was made of, and plots on it."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from standcam.synthetic.lanes import Lanes
from standcam.synthetic.places import Places, numbered, write_masks, write_record, write_truth
from standcam.synthetic.recipe import SceneRecipe
from standcam.synthetic.strip import Strip, to_map
from standcam.synthetic.strip_field import plot_sides, plot_spans, strip_camera
from standcam.synthetic.truth import counts


def transform_of(recipe: SceneRecipe) -> tuple[float, float, float, float, float, float]:
    """The affine transform of the mosaic, in GeoTIFF's order: corner of the pixel (0, 0), north up."""
    s = recipe.strip
    step = s.mm_per_px / 1000
    return step, 0.0, s.easting_m, 0.0, -step, s.northing_m


def write_strip(strip: Strip, seed: int, places: Places) -> pd.DataFrame:
    """Mosaic and, where the recipe asks for them, plots; unless flat, truth, record and masks. Gives the truth."""
    name = strip.recipe.name
    write_geotiff(places.images / f"{name}.tif", strip)
    if strip.recipe.strip.plots:
        text = plots_geojson(strip.recipe, strip.field.lanes)
        (places.folder / f"{name}_plots.geojson").write_text(text, encoding="utf-8")
    if not places.flat:
        write_truth(places.truth / f"{name}.csv", strip.truth)
        write_record(places, name, strip_record(strip, seed))
        write_masks(places, name, strip.labels, numbered(strip.truth, strip.plant_ids))
    return strip.truth


def write_geotiff(path: Path, strip: Strip) -> None:
    """The mosaic, in tiles of 256 px; a rim without data is told by a mask inside the file."""
    import rasterio
    from rasterio.crs import CRS
    from rasterio.transform import Affine

    recipe = strip.recipe
    profile: dict[str, Any] = {
        "driver": "GTiff",
        "dtype": "uint8",
        "count": 3,
        "width": strip.camera.width_px,
        "height": strip.camera.height_px,
        "crs": CRS.from_epsg(recipe.strip.epsg),
        "transform": Affine(*transform_of(recipe)),
        "tiled": True,
        "blockxsize": 256,
        "blockysize": 256,
        "interleave": "pixel",
    }
    if recipe.strip.compress == "jpeg":
        profile |= {"compress": "jpeg", "photometric": "ycbcr", "jpeg_quality": recipe.capture.jpeg_quality}
    else:
        profile |= {"compress": "deflate", "predictor": 2}
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True), rasterio.open(path, "w", **profile) as file:
        file.write(np.moveaxis(strip.rgb, 2, 0))
        if not strip.valid.all():
            file.write_mask(strip.valid)


def strip_record(strip: Strip, seed: int | None = None) -> dict[str, Any]:
    """What a strip was made of, as plain values: place, light, soil, sowing and rows."""
    r, s = strip.recipe, strip.recipe.strip
    return {
        "image": f"{r.name}.tif",
        "width": strip.camera.width_px,
        "height": strip.camera.height_px,
        "seed": seed,
        "crop": r.crop.species,
        "fault": None,
        "mode": "drone",
        "story": r.story,
        "camera": {"model": "orthographic", "gsd_mm": s.mm_per_px},
        "distortion": {"model": "none", "k1": 0.0},
        **field_record(r, strip.field.lanes),
        "missing": [
            {"row_id": row, "from_mm": round(start, 1), "to_mm": round(stop, 1)}
            for row, start, stop in strip.field.missing
        ],
        "row_heading_deg_from_x": s.heading_deg,
        "world": "X along row, Y across row (left of travel), Z up, mm; the picture's middle is (0, 0); a row lies on "
        "Y = y_offset + curve_mm sin(2 pi X / curve_length_mm + curve_phase)",
        "strip": dataclasses.asdict(s),
        "counts": counts(strip.truth),
        "photo": dataclasses.asdict(r.capture),
        "georef": {"crs": f"EPSG:{s.epsg}", "transform": list(transform_of(r))},
    }


def field_record(recipe: SceneRecipe, lanes: Lanes) -> dict[str, Any]:
    """What strips and flights tell alike of the field below them."""
    return {
        "pixel_convention": "centre of top-left pixel is (0,0)",
        "light": dataclasses.asdict(recipe.light),
        "soil": {"kind": recipe.ground.soil, **dataclasses.asdict(recipe.ground)},
        "weeds_per_m2": recipe.crop.weeds_per_m2,
        "stage_mean": recipe.crop.stage,
        "target": {"kind": "none"},
        "sowing": dataclasses.asdict(recipe.planter),
        "row_spacing_mm": recipe.crop.row_width_mm,
        "rows": _rows_record(recipe, lanes),
    }


def _rows_record(recipe: SceneRecipe, lanes: Lanes) -> list[dict[str, Any]]:
    """Place of each row, its pass and row unit where the planter is known."""
    rows: list[dict[str, Any]] = []
    for row, y in enumerate(lanes.row_mm.tolist()):
        rows.append({"row_id": row, "y_offset_mm": round(y, 2)})
        if recipe.strip.pass_rows:
            rows[-1] |= {"pass": row // recipe.strip.pass_rows + 1, "unit": row % recipe.strip.pass_rows + 1}
    return rows


def plot_outlines(recipe: SceneRecipe, lanes: Lanes) -> list[np.ndarray]:
    """Corners of the recipe's plots on the map. [(4, 2) [m]]"""
    low, high = plot_sides(recipe, lanes)
    outlines = []
    for start, stop in plot_spans(recipe, lanes):
        corners = np.array([[start, low, 0.0], [stop, low, 0.0], [stop, high, 0.0], [start, high, 0.0]])
        outlines.append(to_map(recipe, strip_camera(recipe).project(corners)[0]))
    return outlines


def plots_geojson(recipe: SceneRecipe, lanes: Lanes) -> str:
    """Plots of a strip as GeoJSON, with the coordinate system named as GDAL writes it."""
    s = recipe.strip
    features = []
    for n, outline in enumerate(plot_outlines(recipe, lanes)):
        ring = [[round(float(e), 3), round(float(north), 3)] for e, north in [*outline, outline[0]]]
        treatment = s.treatments[n % len(s.treatments)]
        features.append(
            {
                "type": "Feature",
                "properties": {
                    "plot": f"{n + 1}",
                    "treatment": treatment,
                    "block": f"{n // len(s.treatments) + 1}",
                },
                "geometry": {"type": "Polygon", "coordinates": [ring]},
            }
        )
    collection = {
        "type": "FeatureCollection",
        "name": f"{recipe.name}_plots",
        "crs": {"type": "name", "properties": {"name": f"urn:ogc:def:crs:EPSG::{s.epsg}"}},
        "features": features,
    }
    return json.dumps(collection, indent=1) + "\n"
