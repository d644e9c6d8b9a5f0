"""Training sheets: whole photos with exact truth, drawn to scale as at run time.

Photos come from folders in the scene layout (images/, truth/, scenes/), and from the scene generator, whose recipes
are drawn here at random over what a season can show. Each sheet keeps its picture as JPEG bytes, the number of the
plant that each pixel shows as PNG bytes, the camera's foot and height in sheet pixels, and the stems. Sheets of strips
come from :mod:`standcam.training.strip_samples`, in the same form.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

from standcam.ground.lens import LensProfile
from standcam.ground.map import GroundMap
from standcam.images.photo import Photo, read_photo
from standcam.plants.sheet import draw, photo_places
from standcam.plants.stems import frame_over
from standcam.plants.view import view_of
from standcam.rows.find import field_of
from standcam.settings import RowSettings, StemSettings
from standcam.synthetic.recipe import (
    CameraRecipe,
    CaptureRecipe,
    CropRecipe,
    GroundRecipe,
    LightRecipe,
    PlanterRecipe,
    SceneRecipe,
    TargetRecipe,
)
from standcam.synthetic.scene import Scene, make_scene
from standcam.training import CROP, SAMPLE_CM, UNSEEN, UNSURE, WEED
from standcam.training.looks import varied
from standcam.training.sample_file import write_samples
from standcam.vegetation.segment import segment


@dataclass(frozen=True)
class Sample:
    """One training sheet."""

    photo: str
    made: bool
    """From the scene generator."""
    jpeg: bytes
    numbers: bytes
    """PNG of 16 bits: 1 + row of ``stems`` of the plant a pixel shows, 0 for soil."""
    foot_px: np.ndarray
    """Point under the camera. (2,) [px]"""
    height_px: float
    """Camera height in sheet pixels."""
    row_axis: np.ndarray
    """Unit vector of the rows on the sheet. (2,)"""
    stems: np.ndarray
    """x, y [px], class (CROP, WEED, UNSURE, UNSEEN), share of the plant that shows; of strips also the area of it that
    shows [mm²]. (n, 4) or (n, 5)"""
    cm_per_px: float = SAMPLE_CM
    """Pixel of the sheet. [cm]"""


def true_map(scene: dict) -> GroundMap:
    """Exact ground map of a scene.json: the soil as the plane z = 0, world millimetres as ground centimetres."""
    cam, w, h = scene["camera"], scene["width"], scene["height"]
    rotation, place = np.asarray(cam["R_cam_to_world"]), np.asarray(cam["position_mm"])
    # the scenes' camera axes are y up and z back; pixels have y down
    to_world = rotation @ np.diag([1.0, -1.0, -1.0])
    K = np.array([[cam["fx_px"], 0, cam["cx_px"]], [0, cam["fy_px"], cam["cy_px"]], [0, 0, 1.0]])
    px_from_ground = K @ np.c_[to_world.T[:, 0] * 10, to_world.T[:, 1] * 10, -to_world.T @ place]
    centre = ((cam["cx_px"] + 0.5) / w, (cam["cy_px"] + 0.5) / h)
    lens = LensProfile(
        focal=cam["fx_px"] / max(w, h),
        centre=centre if w >= h else (centre[1], 1 - centre[0]),
        k1=scene["distortion"]["k1"],
    )
    x, y, z = place / 10
    return GroundMap(np.linalg.inv(px_from_ground), w, h, "true", camera_cm=(x, y, z), lens=lens)


def sample_of(photo: Photo, ground: GroundMap, truth: pd.DataFrame, numbers: np.ndarray, made: bool) -> Sample:
    """The training sheet of one photo, drawn just as at run time.

    Parameters
    ----------
    photo, ground
        The rows lie along the first axis of the ground.
    truth : DataFrame
        One row a plant.
    numbers : (H, W) array
        1 + row of ``truth`` of the plant that a pixel of the photo shows, 0 for none.
    made : bool
        From the scene generator.
    """
    vegetation, view = segment(photo, ground), view_of(ground)
    field = field_of(ground, RowSettings(coarsest_mm_per_px=3.5))
    frame = frame_over(field.points_cm, ground, StemSettings(), SAMPLE_CM)
    sheet = draw(frame, vegetation, ground, view)
    x, y = photo_places(frame, ground)
    drawn = cv2.remap(numbers.astype(np.uint16), x, y, cv2.INTER_NEAREST)
    crop = (truth["kind"] != "weed").to_numpy()
    shown = ((truth["visible"] == 1) | ((truth["n_px"] >= 15) & (truth["visible_frac"] >= 0.25))).to_numpy()
    kind = np.where(crop, np.where(shown, CROP, UNSURE), np.where(truth["n_px"] >= 8, WEED, UNSEEN))
    px = frame.to_sheet(ground.to_ground(truth[["x_px", "y_px"]].to_numpy(float)))
    here, ahead = frame.to_sheet(np.array([[0.0, 0.0], [100.0, 0.0]]))
    return Sample(
        photo.path.stem,
        made,
        cv2.imencode(".jpg", sheet.rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes(),
        cv2.imencode(".png", drawn)[1].tobytes(),
        frame.to_sheet(np.array([view.foot_cm]))[0].astype(np.float32),
        view.height_cm / frame.cm_per_px,
        ((ahead - here) / np.linalg.norm(ahead - here)).astype(np.float32),
        np.c_[px, kind, truth["visible_frac"]].astype(np.float32),
    )


def folder_samples(folder: Path) -> Iterator[Sample]:
    """Sheets of all hand-held photos with a scene and a mask of plant numbers in a folder."""
    for path in sorted((folder / "scenes").glob("*.scene.json")):
        scene = json.loads(path.read_text())
        if scene["mode"] == "hand":
            name = Path(scene["image"]).stem
            truth = pd.read_csv(folder / "truth" / f"{name}.csv")
            mask = cv2.imread(str(folder / "masks" / f"{name}_plants.png"), cv2.IMREAD_UNCHANGED)
            row_of = np.zeros(65536, np.uint16)  # masks hold the number in plant_id, p0012 or w0107
            row_of[truth["plant_id"].str[1:].astype(int)] = np.arange(1, len(truth) + 1)
            photo = read_photo(folder / "images" / scene["image"])
            yield sample_of(photo, true_map(scene), truth, row_of[mask], False)


def random_recipe(rng: np.random.Generator, name: str, looks: bool = True) -> SceneRecipe:
    """A scene drawn over crops, stages, stands, soils, light, straw, weeds, views and, if asked for, looks."""
    soybean = rng.random() < 0.4
    portrait = rng.random() < 0.3
    azimuth = rng.choice([0.0, 90.0, 180.0, 270.0]) + rng.normal(0, 12) if rng.random() < 0.8 else rng.uniform(0, 360)
    stand = SceneRecipe(
        name,
        PlanterRecipe(
            nominal_spacing_mm=rng.uniform(35, 110) if soybean else rng.uniform(100, 260),
            placement_sd_mm=rng.uniform(5, 45) * (0.4 if soybean else 1.0),
            lateral_sd_mm=rng.uniform(2, 10),
            p_skip=rng.uniform(0, 0.12),
            p_double=rng.uniform(0, 0.15),
            p_no_emergence=rng.uniform(0, 0.15),
            p_late=rng.uniform(0, 0.2),
        ),
        CropRecipe(
            "soybean" if soybean else "maize",
            stage=rng.uniform(1.0, 3.6) if soybean else rng.uniform(1.0, 5.0),
            stage_sd=rng.uniform(0.1, 0.6),
            row_width_mm=rng.choice([380, 500, 560, 760, 910]),
            weeds_per_m2=rng.choice([0, 2, 6, 12, 25, 45]),
        ),
        CameraRecipe(
            width_px=1350 if portrait else 1800,
            height_px=1800 if portrait else 1350,
            height_mm=rng.uniform(1100, 1650),
            tilt_deg=rng.choice([rng.uniform(0, 8), rng.uniform(5, 36)]),
            roll_deg=rng.normal(0, 3),
            azimuth_deg=azimuth,
            aim_x_mm=rng.uniform(-200, 200),
            aim_y_mm=rng.normal(0, 120),
            focal_length_35mm=rng.uniform(24, 28),
            k1=rng.choice([0.0, rng.normal(0, 0.02)]),
        ),
        LightRecipe(
            rng.choice(["sun", "sun", "haze", "overcast"]),
            sun_elevation_deg=rng.uniform(15, 70),
            sun_azimuth_deg=rng.uniform(0, 360),
            photographer_shadow=rng.random() < 0.25,
        ),
        GroundRecipe(
            rng.choice(["dry", "wet", "sandy", "red"]),
            roughness=rng.uniform(0, 1),
            furrow_depth_mm=rng.uniform(0, 15),
            straw_per_m2=rng.choice([0, 10, 60, 200]),
        ),
        TargetRecipe(
            rng.choice(["board", "stick", "none"]),
            x_mm=rng.uniform(-300, 300),
            y_mm=rng.choice([-1, 1]) * rng.uniform(190, 330),
            angle_deg=rng.uniform(-20, 20),
        ),
        CaptureRecipe(
            exposure_ev=rng.normal(0, 0.3),
            blur_px=rng.uniform(0.4, 1.4),
            noise=rng.uniform(0.002, 0.015),
            white_balance=tuple(np.exp(rng.normal(0, 0.04, 3))),
            saturation=rng.uniform(0.85, 1.25),
            sharpening=rng.uniform(0, 0.8),
        ),
    )
    return varied(stand, rng) if looks else stand


def stored(scene: Scene) -> Photo:
    """The photo of a made scene as read from its JPEG file."""
    quality = [cv2.IMWRITE_JPEG_QUALITY, scene.recipe.capture.jpeg_quality]
    coded = cv2.imencode(".jpg", np.ascontiguousarray(scene.rgb[..., ::-1]), quality)[1]
    rgb = np.ascontiguousarray(np.asarray(cv2.imdecode(coded, cv2.IMREAD_COLOR))[..., ::-1])
    return Photo(Path(f"{scene.recipe.name}.jpg"), rgb, "")


def generated_samples(count: int, seed: int) -> Iterator[Sample]:
    """Sheets of scenes from the generator."""
    for k in range(count):
        recipe = random_recipe(np.random.default_rng([seed, k]), f"made_{seed}_{k}")
        scene = make_scene(recipe, recipe.rng(seed))
        if (scene.truth["kind"] != "weed").any():
            yield sample_of(stored(scene), scene.ground_map(), scene.truth, scene.plant_ids, True)


def main() -> None:
    """Command line: ``python -m standcam.training.samples OUT.pkl [--folder DIR]... [--made N]``."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("out", type=Path)
    ask.add_argument("--folder", type=Path, action="append", default=[], help="photos with truth, scene layout")
    ask.add_argument("--made", type=int, default=0, help="scenes to make")
    ask.add_argument("--seed", type=int, default=1)
    a = ask.parse_args()
    photos = (s for folder in a.folder for s in folder_samples(folder))
    write_samples(a.out, (vars(s) for s in chain(photos, generated_samples(a.made, a.seed))))


if __name__ == "__main__":
    main()
