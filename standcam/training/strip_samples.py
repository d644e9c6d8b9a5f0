"""Training sheets of drone strips: pieces of field seen from straight above, with exact truth, finer than any strip.

``python -m standcam.training.strip_samples OUT.pkl --made 400 --seed 1 --workers 8``. Sheets are drawn once, with
pixels of ``STRIP_SAMPLE_CM`` and little blur, noise and sharpening; whoever trains reduces them to the resolution
wanted and does to them what a drone and the making of a mosaic do at that resolution. The form is that of the photos'
samples (:class:`standcam.training.samples.Sample` as a dictionary), with rows along x and an endless camera height, so
that ``(place - foot_px) / height_px`` is 0. Of the package only the generator is needed.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np

from standcam.synthetic.recipe import (
    CaptureRecipe,
    CropRecipe,
    GroundRecipe,
    LightRecipe,
    PlanterRecipe,
    SceneRecipe,
)
from standcam.synthetic.strip import Strip, make_strip
from standcam.synthetic.strip_recipe import StripRecipe
from standcam.training import CROP, STRIP_SAMPLE_CM, UNSEEN, UNSURE, WEED
from standcam.training.looks import varied_strip
from standcam.training.sample_file import write_samples

LENGTH_MM, WIDTH_MM = 3600.0, 2800.0
"""Ground of a sheet. [mm]"""
WEED_MM2 = 20.0
"""A weed of which less shows teaches nothing. [mm²]"""
ROW_WIDTHS_MM = (380, 450, 500, 560, 700, 760, 910)


def random_strip(rng: np.random.Generator, name: str, looks: bool = True) -> SceneRecipe:
    """A piece of strip drawn over crops, stages, stands, rows, soils, light, straw, weeds, faults of mosaics.

    ``looks`` draws leaves, relief and litter over wide ranges too (:mod:`standcam.training.looks`).
    """
    soybean = rng.random() < 0.4
    row_width = float(rng.choice(ROW_WIDTHS_MM))
    fill = int(WIDTH_MM / row_width) + 2
    sparse, seams, tracks = rng.random() < 0.12, rng.random() < 0.25, rng.random() < 0.2
    track, ends = rng.uniform(-WIDTH_MM / 2, WIDTH_MM / 2), rng.uniform(300, LENGTH_MM - 600)
    stand = SceneRecipe(
        name,
        PlanterRecipe(
            nominal_spacing_mm=rng.uniform(35, 110) if soybean else rng.uniform(100, 260),
            placement_sd_mm=rng.uniform(5, 45) * (0.4 if soybean else 1.0),
            lateral_sd_mm=rng.uniform(2, 12),
            p_skip=rng.uniform(0, 0.12),
            p_double=rng.uniform(0, 0.15),
            p_no_emergence=rng.uniform(0, 0.2),
            p_late=rng.uniform(0, 0.2),
        ),
        CropRecipe(
            "soybean" if soybean else "maize",
            stage=rng.uniform(0.9, 3.8) if soybean else rng.uniform(0.9, 5.2),
            stage_sd=rng.uniform(0.1, 0.6),
            row_width_mm=row_width,
            weeds_per_m2=rng.choice([0, 1, 3, 8, 20, 45]),
        ),
        light=LightRecipe(
            rng.choice(["sun", "sun", "sun", "haze", "overcast"]),
            sun_elevation_deg=rng.uniform(18, 70),
            sun_azimuth_deg=rng.uniform(0, 360),
        ),
        ground=GroundRecipe(
            rng.choice(["dry", "wet", "sandy", "red"]),
            roughness=rng.uniform(0, 1),
            furrow_depth_mm=rng.choice([rng.uniform(0, 4), rng.uniform(0, 18)]),
            straw_per_m2=rng.choice([0, 10, 60, 200, 400], p=[0.25, 0.25, 0.2, 0.2, 0.1]),
            stones_per_m2=rng.choice([0, 5, 25, 80], p=[0.3, 0.25, 0.3, 0.15]),
            stubble_per_m2=rng.choice([0, 1, 6, 20], p=[0.6, 0.15, 0.15, 0.1]),
        ),
        capture=CaptureRecipe(
            exposure_ev=rng.normal(0, 0.3),
            blur_px=rng.uniform(0.4, 1.0),
            noise=rng.uniform(0.001, 0.006),
            white_balance=tuple(np.exp(rng.normal(0, 0.05, 3))),
            saturation=rng.uniform(0.75, 1.25),
            sharpening=rng.uniform(0, 0.4),
        ),
        kind="strip",
        strip=StripRecipe(
            mm_per_px=STRIP_SAMPLE_CM * 10,
            length_mm=LENGTH_MM,
            width_mm=WIDTH_MM,
            row_count=int(rng.integers(1, 3)) if sparse else fill,
            shift_mm=rng.uniform(-0.5, 0.5) * (WIDTH_MM / 2 if sparse else row_width),
            row_offset_sd_mm=rng.uniform(0, 30),
            curve_mm=rng.uniform(0, 120),
            curve_length_mm=rng.uniform(12_000, 50_000),
            curve_phase_deg=rng.uniform(0, 360),
            margins_mm=((0.0, 0.0), (ends, 0.0), (0.0, ends))[rng.choice(3, p=[0.88, 0.06, 0.06])],
            missing_per_100m=rng.choice([0, 4, 12]),
            missing_mm=rng.uniform(500, 1500),
            wheel_tracks_mm=(track,) if tracks else (),
            wheel_width_mm=rng.uniform(250, 550),
            wheel_loss=rng.uniform(0, 1),
            weed_patch=rng.uniform(0, 1),
            frame_mm=rng.uniform(1500, 3000) if seams else 0.0,
            blend_mm=rng.uniform(60, 400),
            seam_shift_mm=rng.uniform(0, 20),
            seam_gain=rng.uniform(0, 0.06),
        ),
    )
    return varied_strip(stand, rng) if looks else stand


def strip_sample(strip: Strip) -> dict:
    """The training sheet of a strip whose rows lie along x: its picture as it is."""
    truth = strip.truth
    area = truth["n_px"].to_numpy(float) * strip.camera.mm_per_px**2
    crop = (truth["kind"] != "weed").to_numpy()
    shown = (truth["visible"] == 1).to_numpy()
    kind = np.where(crop, np.where(shown, CROP, UNSURE), np.where(area >= WEED_MM2, WEED, UNSEEN))
    c, s = np.cos(strip.camera.heading), np.sin(strip.camera.heading)
    bgr = np.ascontiguousarray(strip.rgb[..., ::-1])
    return {
        "photo": strip.recipe.name,
        "made": True,
        "jpeg": cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes(),
        "numbers": cv2.imencode(".png", strip.plant_ids.astype(np.uint16))[1].tobytes(),
        "foot_px": np.zeros(2, np.float32),
        "height_px": np.inf,
        "row_axis": np.array([c, -s], np.float32),
        "stems": np.c_[truth[["x_px", "y_px"]], kind, truth["visible_frac"], area].astype(np.float32),
        "cm_per_px": strip.camera.mm_per_px / 10,
    }


def _one(job: tuple[int, int]) -> dict:
    cv2.setNumThreads(1)
    seed, k = job
    recipe = random_strip(np.random.default_rng([seed, k]), f"strip_{seed}_{k}")
    return strip_sample(make_strip(recipe, recipe.rng(seed)))


def generated_strip_samples(count: int, seed: int, workers: int = 1) -> Iterator[dict]:
    """Sheets of strips from the generator, the same whatever the number of processes."""
    jobs = [(seed, k) for k in range(count)]
    if workers == 1:
        yield from map(_one, jobs)
        return
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        yield from pool.map(_one, jobs)


def main() -> None:
    """Command line: ``python -m standcam.training.strip_samples OUT.pkl --made N``."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("out", type=Path)
    ask.add_argument("--made", type=int, default=400, help="strips to make")
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--workers", type=int, default=1)
    a = ask.parse_args()
    write_samples(a.out, generated_strip_samples(a.made, a.seed, a.workers))


if __name__ == "__main__":
    main()
