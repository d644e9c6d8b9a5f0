"""Fitting ``StemSettings.calibration`` of a new network, on photos and scenes it has not seen.

``python -m standcam.training.calibrate --folder DIR --leave-out 12 --made 36``: of the folder every twelfth photo, the
ones that ``standcam.training.fit --leave-out 12`` leaves out; of the generator, scenes from another seed.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from standcam.ground.map import GroundMap
from standcam.images.photo import Photo, read_photo
from standcam.measure import measure_photo
from standcam.plants.rivals import rivals
from standcam.plants.stems import rival_reach
from standcam.settings import Settings
from standcam.synthetic.scene import make_scene
from standcam.training.samples import random_recipe, stored, true_map
from standcam.validation.match import match

TOLERANCE_CM = 4.0


def left_out(folder: Path, every: int) -> Iterator[tuple[Photo, GroundMap, pd.DataFrame]]:
    """Photo, true map and truth of every n-th hand-held photo of a folder in the scene layout."""
    scenes = [json.loads(p.read_text()) for p in sorted((folder / "scenes").glob("*.scene.json"))]
    for scene in [s for s in scenes if s["mode"] == "hand"][::every]:
        truth = pd.read_csv(folder / "truth" / f"{Path(scene['image']).stem}.csv")
        yield read_photo(folder / "images" / scene["image"]), true_map(scene), truth


def made(count: int, seed: int) -> Iterator[tuple[Photo, GroundMap, pd.DataFrame]]:
    """The same of generated scenes."""
    for k in range(count):
        recipe = random_recipe(np.random.default_rng([seed, k]), f"unseen_{seed}_{k}")
        scene = make_scene(recipe, recipe.rng(seed))
        yield stored(scene), scene.ground_map(), scene.truth


def peaks(photo: Photo, ground: GroundMap, truth: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Inputs of the calibration for every peak on a row of one photo, and whether it was a stem. (n, 3), (n,)"""
    settings = Settings()
    raw = replace(settings.stems, calibration=(0.0, 1.0, 0.0, 0.0), crop_probability=0.25)
    plants = measure_photo(photo, replace(settings, stems=raw)).plants
    found = plants[plants["is_crop"]]
    places = ground.to_ground(found[["x_px", "y_px"]].to_numpy(float))
    true = ground.to_ground(truth.loc[truth["kind"] != "weed", ["x_px", "y_px"]].to_numpy(float))
    hit = np.zeros(len(found), bool)
    hit[match(places, true, TOLERANCE_CM).found] = True
    heat = np.clip(found["crop_probability"].to_numpy(), 1e-3, 1 - 1e-3)
    own = np.log(heat / (1 - heat))
    inputs = np.c_[own, np.zeros((len(own), 2))]
    for row in np.unique(found["row"]):  # as measuring does: peaks of another row are no rivals
        of = np.flatnonzero(found["row"] == row)
        reach = rival_reach(
            found["position_cm"].to_numpy(float)[of], heat[of], settings.stems, settings.stems.closeness_share
        )
        closeness, above = rivals(own[of], places[of], reach)
        inputs[of, 1:] = np.stack([closeness, closeness * above], axis=1)
    return inputs, hit


def fit(inputs: np.ndarray, hit: np.ndarray) -> np.ndarray:
    """Logistic regression by maximum likelihood. (n, k), (n,) -> (1 + k,)"""
    from scipy.optimize import minimize

    x = np.c_[np.ones(len(inputs)), inputs]
    sign = np.where(hit, 1.0, -1.0)

    def miss(w: np.ndarray) -> float:
        return float(np.logaddexp(0, -sign * (x @ w)).sum() + 0.05 * (w[1:] ** 2).sum())

    return minimize(miss, np.zeros(x.shape[1])).x


def main() -> None:
    """Command line."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--folder", type=Path, action="append", default=[])
    ask.add_argument("--leave-out", type=int, default=12, help="take every n-th photo of a folder")
    ask.add_argument("--made", type=int, default=36)
    ask.add_argument("--seed", type=int, default=777, help="another than that of the training scenes")
    a = ask.parse_args()
    photos = [p for folder in a.folder for p in left_out(folder, a.leave_out)]
    inputs, hits = zip(*(peaks(*p) for p in [*photos, *made(a.made, a.seed)]), strict=True)
    weights = fit(np.concatenate(inputs), np.concatenate(hits))
    print("calibration =", tuple(round(float(w), 2) for w in weights), "from", sum(map(len, hits)), "peaks")


if __name__ == "__main__":
    main()
