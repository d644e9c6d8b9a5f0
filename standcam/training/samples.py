"""Training sheets from folders of photos with truth: ``python -m standcam.training.samples FOLDER... --out FILE``.

Folders are as the scene generator writes them: images/, truth/, scenes/.

Two kinds: *strips*, drawn along every row at the fine scale with room for jitter; *wholes*, the entire photo at the
coarse scale. Each keeps its picture as JPEG bytes, the camera's foot and height in sheet pixels, and the stems.
"""

from __future__ import annotations

import argparse
import json
import pickle
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

from standcam.ground.lens import LensProfile
from standcam.ground.map import GroundMap
from standcam.images.photo import read_photo
from standcam.plants.heat import COARSE_CM, FINE_CM
from standcam.plants.sheet import Frame, draw
from standcam.plants.view import view_of
from standcam.rows.find import field_of
from standcam.settings import RowSettings
from standcam.vegetation.segment import segment

CROP, WEED, UNSURE = 0, 1, 2
MARGIN_CM = 26.0
"""Ground drawn to either side of a row. [cm]"""


@dataclass(frozen=True)
class Sample:
    """One training sheet."""

    photo: str
    kind: str
    """strip or whole"""
    jpeg: bytes
    foot_px: tuple[float, float]
    height_px: float
    """Camera height in sheet pixels."""
    row_y_px: float
    """Where the row lies on a strip; NaN on a whole."""
    stems: np.ndarray
    """x, y, class (CROP, WEED, UNSURE). (n, 3) [px]"""


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
        focal=cam["fx_px"] / max(w, h), centre=centre if w >= h else (1 - centre[1], centre[0]),
        k1=scene["distortion"]["k1"],
    )
    x, y, z = place / 10
    return GroundMap(np.linalg.inv(px_from_ground), w, h, "true", camera_cm=(x, y, z), lens=lens)


def samples_of(folder: Path, name: str) -> list[Sample]:
    """All training sheets of one photo."""
    scene = json.loads((folder / "scenes" / f"{name}.scene.json").read_text())
    truth = pd.read_csv(folder / "truth" / f"{name}.csv")
    photo = read_photo(folder / "images" / scene["image"])
    ground = true_map(scene)
    vegetation, view = segment(photo, ground), view_of(ground)
    field = field_of(ground, RowSettings(coarsest_mm_per_px=4.0))
    stems_cm = ground.to_ground(truth[["x_px", "y_px"]].to_numpy(float))
    crop = truth["kind"] != "weed"
    shown = (truth["visible"] == 1) | ((truth["n_px"] >= 15) & (truth["visible_frac"] >= 0.25))
    kind = np.where(~crop, WEED, np.where(shown, CROP, UNSURE))
    frames: list[tuple[str, Frame, float]] = []
    low, high = field.points_cm.min(axis=0) - 5, field.points_cm.max(axis=0) + 5
    for row in sorted(truth.loc[crop, "row_id"].unique()):
        y = float(truth.loc[crop & (truth["row_id"] == row), "y_across_mm"].median()) / 10
        inside = np.abs(field.points_cm[:, 1] - y) < 6
        if inside.sum() < 4:
            continue
        start, stop = field.points_cm[inside, 0].min() - 5, field.points_cm[inside, 0].max() + 5
        # seen from above with x along the row, y of the sheet runs to the right: against the ground's y
        frame = Frame((start, y + MARGIN_CM), (1.0, 0.0), FINE_CM, int((stop - start) / FINE_CM),
                      int(2 * MARGIN_CM / FINE_CM))
        frames.append(("strip", frame, MARGIN_CM / FINE_CM))
    size = np.minimum((high - low) / COARSE_CM, 1400).astype(int)
    frames.append(("whole", Frame((low[0], high[1]), (1.0, 0.0), COARSE_CM, int(size[0]), int(size[1])), float("nan")))
    found = []
    for what, frame, row_y in frames:
        sheet = draw(frame, vegetation, ground, view)
        px = frame.to_sheet(stems_cm)
        near = (px > -60).all(axis=1) & (px[:, 0] < frame.width_px + 60) & (px[:, 1] < frame.height_px + 60)
        _, jpeg = cv2.imencode(".jpg", sheet.rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 95])
        foot = frame.to_sheet(np.array([view.foot_cm]))[0]
        found.append(
            Sample(name, what, jpeg.tobytes(), tuple(foot), view.height_cm / frame.cm_per_px, row_y,
                   np.c_[px, kind][near].astype(np.float32))
        )
    return found


def write_samples(folders: list[Path], out: Path) -> int:
    """Gather the samples of all photos with a scene into one file; gives their number."""
    samples = []
    for folder in folders:
        for scene in sorted((folder / "scenes").glob("*.scene.json")):
            if json.loads(scene.read_text())["mode"] == "hand":
                samples += samples_of(folder, scene.name.removesuffix(".scene.json"))
    out.write_bytes(pickle.dumps([vars(s) for s in samples]))
    return len(samples)


def main() -> None:
    """Command line."""
    ask = argparse.ArgumentParser(description="Gather training sheets from folders of photos with truth.")
    ask.add_argument("folders", type=Path, nargs="+")
    ask.add_argument("--out", type=Path, required=True, help="file of samples for standcam.training.fit")
    a = ask.parse_args()
    print(f"{write_samples(a.folders, a.out)} sheets in {a.out}")


if __name__ == "__main__":
    main()
