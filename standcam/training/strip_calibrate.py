"""Fitting ``StripStemSettings.calibration`` and the errors of a new network for strips, on strips it has not seen.

``python -m standcam.training.strip_calibrate DIR``, a folder in the scene layout with strips in it, as
``standcam scene DIR --recipe RECIPE`` writes them.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from standcam.batch.strip_run import count_strip
from standcam.images.raster import open_raster
from standcam.plants.rivals import rivals
from standcam.plants.strip_plants import evidence
from standcam.settings import Settings
from standcam.training.calibrate import TOLERANCE_CM, fit
from standcam.validation.match import match

AS_IT_IS = {"calibration": (0.0, 1.0, 0.0, 0.0, 0.0, 0.0), "sd_at_cm": 1.0, "sd_power": 1.0, "sd_factor": 1.0}
"""Settings under which heat and stated errors come out as the network gives them."""


def peaks(ortho: Path, truth: pd.DataFrame, network: str | None) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Inputs of the calibration for every stem listed on a row of a strip, whether it is one, and errors.

    Returns
    -------
    inputs : (n, 5) array
    hit : (n,) bool array
    errors : (k, 2) array
        Of the hits: distance from the true stem along one axis, and what the network stated. [cm]
    """
    settings = Settings().replace("strip_stems", network=network, **AS_IT_IS, lowest_probability=0.02)
    counted = count_strip(open_raster(ortho, settings.raster), settings)
    found = counted.measurement.plants
    found = found[found["judged"] != "weed"]
    crop = truth[truth["kind"] != "weed"]
    origin = np.array(counted.measurement.site.origin_m)
    places = (found[["easting_m", "northing_m"]].to_numpy(float) - origin) * 100
    true = (crop[["map_x", "map_y"]].to_numpy(float) - origin) * 100
    pairs = match(places, true, TOLERANCE_CM)
    hit = np.zeros(len(found), bool)
    hit[pairs.found] = True
    p = np.clip(found["crop_probability"].to_numpy(float), 1e-3, 1 - 1e-3)
    logit = np.log(p / (1 - p))
    closeness, above = rivals(logit, places, settings.strip_stems.closeness_cm, found["row"].to_numpy())
    off = (places[pairs.found] - true[pairs.true]).T.ravel()
    stated = np.tile(found["position_sd_cm"].to_numpy(float)[pairs.found], 2)
    cm_per_px = counted.measurement.site.mm_per_px / 10
    return evidence(logit, closeness, above, cm_per_px), hit, np.stack([off, stated], axis=1)


def of_errors(errors: np.ndarray) -> tuple[float, float]:
    """Power and factor that bring stated errors to true ones, by maximum likelihood. (n, 2) [cm] -> power, factor

    Of a normal spread, with errors beyond three times the usual left out: those are wrong pairs.
    """
    from scipy.optimize import minimize

    off, stated = errors[np.abs(errors[:, 0]) < 3 * np.median(np.abs(errors[:, 0])) * 1.4826].T

    def miss(w: np.ndarray) -> float:
        sd = 0.5 * (stated / 0.5) ** w[0] * np.exp(w[1])
        return float((np.log(sd) + 0.5 * (off / sd) ** 2).sum())

    power, log_factor = minimize(miss, np.array([1.0, 0.0]), method="Nelder-Mead").x
    return float(power), float(np.exp(log_factor))


def strips(folder: Path) -> Iterator[tuple[Path, pd.DataFrame]]:
    """Mosaic and truth of every strip of a folder."""
    for path in sorted((folder / "scenes").glob("*.scene.json")):
        scene = json.loads(path.read_text())
        if scene["mode"] == "drone":
            yield folder / "images" / scene["image"], pd.read_csv(folder / "truth" / f"{Path(scene['image']).stem}.csv")


def main() -> None:
    """Command line."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("folder", type=Path, nargs="+")
    ask.add_argument("--network", help="path of an ONNX file; the one that ships without it")
    a = ask.parse_args()
    inputs, hits, errors = zip(*(peaks(*s, a.network) for folder in a.folder for s in strips(folder)), strict=True)
    weights = fit(np.concatenate(inputs), np.concatenate(hits))
    power, factor = of_errors(np.concatenate(errors))
    print("calibration =", tuple(round(float(w), 2) for w in weights), "from", sum(map(len, hits)), "peaks")
    print(f"sd_at_cm = 0.5, sd_power = {power:.2f}, sd_factor = {factor:.2f}")


if __name__ == "__main__":
    main()
