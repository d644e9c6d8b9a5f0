"""Looks of training scenes: leaves, soil, litter, light and camera drawn over wide ranges.

Laid over a recipe whose stand and view are drawn already, by chances of their own, so that what stands where does not
hang on how it looks; but a third of the photos gets more doubles. Some scenes keep the generator's plain look.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from standcam.synthetic.leaf_recipe import LeafRecipe
from standcam.synthetic.recipe import SceneRecipe

PIXELS = 10
"""Ninths of the recipe's pixels along a side: a photo is finer than the finest sheet."""
PLAIN_SHARE = 0.15
"""Scenes that keep plain leaves, and, by a chance of its own, plain soil."""
THICK_SHARE, THICK_MM = 0.5, (28.0, 60.0)
"""Soybean scenes that are sown thickly, and how far apart: where most plants stand, and most are missed. [mm]"""
GREENS = ((1.0, 1.0, 1.0), (0.75, 0.8, 0.75), (0.45, 0.62, 0.6), (0.55, 0.85, 1.5), (0.5, 0.75, 1.9), (1.35, 1.15, 0.8))
"""Factors on greens: plain, darker, dark, bluish, more so, yellow: chosen to look right (no source)."""
SOILS = ((1.0, 1.0, 1.0), (0.84, 0.91, 1.06), (0.72, 0.79, 0.95), (0.5, 0.52, 0.6), (0.98, 1.0, 1.1), (1.15, 0.9, 0.8))
"""Factors on soils: plain, greyer, darker, dark, paler, redder."""


def random_leaves(rng: np.random.Generator) -> LeafRecipe:
    """Forms, greens and gloss."""
    tint = np.array(GREENS[rng.choice(len(GREENS))]) * np.exp(rng.normal(0, 0.10, 3)) * np.exp(rng.normal(0, 0.15))
    return LeafRecipe(
        form="natural" if rng.random() > PLAIN_SHARE else "plain",
        slender=float(np.exp(rng.normal(0.12, 0.22)).clip(0.6, 2)),
        droop=rng.uniform(0, 1),
        wave=rng.uniform(0, 1),
        twist=rng.uniform(0, 1),
        weeds="many" if rng.random() > PLAIN_SHARE else "few",
        tint=tuple(tint.clip(0.3, 2.5).tolist()),
        tint_sd=rng.uniform(0, 0.12),
        gloss=rng.choice([1.0, rng.uniform(1, 4.5)]),
        gloss_width=rng.uniform(0.6, 1.8),
        through=rng.uniform(0.3, 1.1),
        depth=rng.uniform(0.4, 1),
        vein=rng.uniform(0.3, 2.5),
        purple=rng.uniform(0, 1),
    )


def random_ground(rng: np.random.Generator) -> dict[str, Any]:
    """Relief, colour and litter of the soil, as values of a ``GroundRecipe``."""
    tint = np.array(SOILS[rng.choice(len(SOILS))]) * np.exp(rng.normal(0, 0.06, 3))
    values: dict[str, Any] = {"tint": tuple(tint.clip(0.3, 2).tolist())}
    if rng.random() > PLAIN_SHARE:
        values |= {
            "relief": rng.uniform(0.4, 2.0),
            "pits": _often(rng, 0.5, 0.15, 1.0),
            "crumbs": _often(rng, 0.6, 0.2, 1.0),
            "cracks": _often(rng, 0.25, 0.3, 1.0),
            "crust": rng.uniform(0, 1),
            "patches": _often(rng, 0.6, 0.1, 1.0),
            "dry_leaves_per_m2": _often(rng, 0.5, 1, 25),
            "sticks_per_m2": _often(rng, 0.5, 3, 90),
            "stalks_per_m2": _often(rng, 0.4, 1, 9),
            "stones_per_m2": _often(rng, 0.35, 2, 50),
        }
    return values


def _often(rng: np.random.Generator, chance: float, low: float, high: float) -> float:
    """0, or with a chance something between."""
    there, value = rng.random() < chance, rng.uniform(low, high)
    return float(value) if there else 0.0


def random_light(rng: np.random.Generator) -> dict[str, Any]:
    """Half-shadows and the sky's share, as values of a ``LightRecipe``."""
    return {"softness": rng.choice([1.0, rng.uniform(0.8, 4)]), "sky": rng.uniform(0.6, 1.3)}


def varied(recipe: SceneRecipe, rng: np.random.Generator) -> SceneRecipe:
    """A photo's recipe with looks drawn at random."""
    recipe = dataclasses.replace(recipe, leaves=random_leaves(rng))
    recipe = recipe.replace("ground", **random_ground(rng))
    if rng.random() < 0.12:
        recipe = recipe.replace("ground", tyre_tracks_mm=(float(rng.uniform(-600, 600)),))
    recipe = recipe.replace("light", **random_light(rng), veil=_often(rng, 0.3, 0.03, 0.3))
    if rng.random() < 0.15:  # only just up
        recipe = recipe.replace("crop", stage=float(rng.uniform(0.7, 1.3)))
    if rng.random() < 0.12:  # a sun just risen
        recipe = recipe.replace("light", sun_elevation_deg=float(rng.uniform(10, 20)))
    if rng.random() < 0.3:  # many doubles: they are what is hard, and what photos show least of
        recipe = recipe.replace("planter", p_double=float(rng.uniform(0.15, 0.45)))
    if recipe.crop.species == "soybean" and rng.random() < THICK_SHARE:
        recipe = recipe.replace("planter", nominal_spacing_mm=float(rng.uniform(*THICK_MM)))
    w, h = (size * PIXELS // 9 for size in (recipe.camera.width_px, recipe.camera.height_px))
    recipe = recipe.replace("camera", width_px=w, height_px=h)
    cast, still = rng.normal(0, 0.055), rng.random() < 0.7  # warm or cold; a camera held still in good light
    white = np.array(recipe.capture.white_balance) * np.exp([cast, rng.normal(0, 0.02), -cast])
    return recipe.replace(
        "capture",
        white_balance=tuple(white.tolist()),
        exposure_ev=recipe.capture.exposure_ev + rng.normal(0.12, 0.2),
        blur_px=rng.uniform(0.3, 0.8) if still else recipe.capture.blur_px,
        noise=recipe.capture.noise * (0.3 if still else 1.0),
        saturation=recipe.capture.saturation * rng.uniform(0.75, 1.05),
        sharpening=recipe.capture.sharpening * rng.choice([0.4, 1.0, 1.7]),
        sharpen_px=rng.uniform(0.8, 1.8),
        contrast=rng.uniform(0.8, 1.15),
        jpeg_quality=int(rng.integers(60, 96)),
    )


def varied_strip(recipe: SceneRecipe, rng: np.random.Generator) -> SceneRecipe:
    """A strip's recipe with leaves, soil and light drawn at random; the camera's part is left to who reduces it."""
    recipe = dataclasses.replace(recipe, leaves=random_leaves(rng))
    values = random_ground(rng)
    values.pop("stones_per_m2", None)  # drawn for strips already
    return recipe.replace("ground", **values).replace("light", **random_light(rng))
