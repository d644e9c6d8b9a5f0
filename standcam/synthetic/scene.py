"""One synthetic scene: recipe and generator in, picture and exact truth out; and its files."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from standcam.errors import ResultsExist
from standcam.ground.map import GroundMap
from standcam.rows.line import RowLine
from standcam.synthetic import noise
from standcam.synthetic.camera import FARTHEST_MM, Camera, place_camera
from standcam.synthetic.field import PLACE_COLUMNS, TRUTH_COLUMNS, lay_field
from standcam.synthetic.flight import make_flight, write_flight
from standcam.synthetic.places import Places, numbered, write_masks, write_record, write_truth
from standcam.synthetic.recipe import RecipeBook, SceneRecipe
from standcam.synthetic.render import in_picture, render
from standcam.synthetic.strip import make_strip
from standcam.synthetic.strip_files import write_strip
from standcam.synthetic.targets import Target, make_target
from standcam.synthetic.truth import VISIBLE_SHARE, counts, lay_bases, masks, place_table, share_shown

VISIBLE_PX = 30
"""A plant counts as visible when its base is in the picture and ``VISIBLE_SHARE`` and so many of its pixels show."""


@dataclass(frozen=True)
class Scene:
    """A synthetic photo with all that is true about it."""

    recipe: SceneRecipe
    rgb: np.ndarray
    """Upright picture, uint8. (H, W, 3)"""
    truth: pd.DataFrame
    """One row a plant that shows or whose base is in the picture; see ``TRUTH_COLUMNS``."""
    camera: Camera
    labels: np.ndarray
    """0 soil, 1 crop, 2 weed, uint8. (H, W)"""
    plant_ids: np.ndarray
    """1 + row of ``truth`` a pixel shows, 0 for none, int32. (H, W)"""
    target: Target | None

    def ground_map(self) -> GroundMap:
        """The exact ground map, frame of the truth in cm."""
        ground = self.camera.ground_map()
        if self.target is None:
            return ground
        hull, _ = self.camera.project(self.target.outline_mm)
        marks = [self.camera.project(corners)[0] for corners in self.target.markers.values()]
        if len(self.target.ends_mm):
            marks = [self.camera.project(self.target.ends_mm)[0]]
        return dataclasses.replace(
            ground,
            mark_px=(float(hull[:, 0].mean()), float(hull[:, 1].mean())),
            marks_px=tuple(tuple((float(x), float(y)) for x, y in mark) for mark in marks),
            mark_hull_px=tuple((float(x), float(y)) for x, y in hull),
        )

    def row_line(self, row_id: int = 0) -> RowLine:
        """The true line of a row, position as the truth's X, over the part of it that the picture shows.

        Raises
        ------
        ValueError
            The picture shows nothing of that row.
        """
        y = row_id * self.recipe.crop.row_width_mm
        start, stop = row_extent(self.camera, y)
        return RowLine((0.0, y / 10), (1.0, 0.0), from_cm=start / 10, to_cm=stop / 10)


def row_extent(camera: Camera, y_mm: float) -> tuple[float, float]:
    """First and last X at which the picture shows the line Y = ``y_mm`` of the soil, to 1 mm. [mm]

    Raises
    ------
    ValueError
        The picture shows nothing of that line.
    """
    foot = round(float(camera.position_mm[0]))
    x = np.arange(foot - FARTHEST_MM, foot + FARTHEST_MM + 1)
    px, _ = camera.project(np.c_[x, np.full(len(x), y_mm), np.zeros(len(x))])
    seen = x[in_picture(px, camera)]
    if not len(seen):
        raise ValueError(f"no part of the line at {y_mm:g} mm is in the picture")
    return float(seen.min()), float(seen.max())


def _streams(rng: np.random.Generator) -> list[np.random.Generator]:
    """Field, mark, surface and sensor: so that what stands where does not hang on how it is drawn."""
    return rng.spawn(4)


def _place(recipe: SceneRecipe, camera: Camera, rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Field table and, row by row, the place columns of the truth."""
    field = lay_field(recipe, camera, rng)
    lay_bases(field, recipe)
    px, _ = camera.project(field[["x_mm", "y_mm", "z_mm"]].to_numpy(float))
    return field, place_table(field, f"{recipe.name}.jpg", px, in_picture(px, camera))


def scene_places(recipe: SceneRecipe, rng: np.random.Generator) -> pd.DataFrame:
    """The truth without rendering: ``PLACE_COLUMNS`` of the plants whose base is in the picture."""
    camera = place_camera(recipe.camera)
    _, place = _place(recipe, camera, _streams(rng)[0])
    return place.loc[place.in_image == 1, PLACE_COLUMNS].reset_index(drop=True)


def make_scene(recipe: SceneRecipe, rng: np.random.Generator) -> Scene:
    """Lay the field, place the camera, render, develop: a photo, whatever kind the recipe is of."""
    for_field, for_mark, for_surface, for_sensor = _streams(rng)
    camera = place_camera(recipe.camera)
    field, truth = _place(recipe, camera, for_field)
    target = make_target(recipe.target, for_mark)
    drawn = render(recipe, field, camera, target, for_surface)
    share = share_shown(drawn.plants)
    truth["visible_frac"] = share.round(3)
    truth["n_px"] = drawn.plants.n_px.round().astype(int)
    truth["base_visible"] = drawn.plants.base_visible.astype(int)
    truth["visible"] = ((truth.in_image == 1) & (share >= VISIBLE_SHARE) & (drawn.plants.n_px >= VISIBLE_PX)).astype(
        int
    )
    listed = ((truth.n_px > 0) | (truth.in_image == 1)).to_numpy()
    labels, plant_ids = masks(drawn.owners, listed, field.kind)
    return Scene(
        recipe=recipe,
        rgb=noise.develop(drawn.linear, recipe.capture, for_sensor),
        truth=truth.loc[listed, TRUTH_COLUMNS].reset_index(drop=True),
        camera=camera,
        labels=labels,
        plant_ids=plant_ids,
        target=target,
    )


def scene_record(scene: Scene, seed: int | None = None) -> dict[str, Any]:
    """What a scene was made of, as plain values: camera, light, soil, sowing, mark and rows."""
    r, camera = scene.recipe, scene.camera
    # written with camera axes x right, y up, z back, as ray tracers have them
    to_world = camera.rotation.T @ np.diag([1.0, -1.0, -1.0])
    rows = sorted(int(row) for row in scene.truth.row_id.dropna().unique())
    record: dict[str, Any] = {
        "image": f"{r.name}.jpg",
        "width": camera.width_px,
        "height": camera.height_px,
        "seed": seed,
        "crop": r.crop.species,
        "mode": "hand",
        "story": r.story,
        "camera": {
            "model": "pinhole",
            "position_mm": camera.position_mm.round(4).tolist(),
            "height_mm": r.camera.height_mm,
            "fx_px": camera.focal_px,
            "fy_px": camera.focal_px,
            "cx_px": float(camera.centre_px[0]),
            "cy_px": float(camera.centre_px[1]),
            "tilt_deg": r.camera.tilt_deg,
            "roll_deg": r.camera.roll_deg,
            "image_up_azimuth_deg": r.camera.azimuth_deg,
            "eq_focal_mm": r.camera.focal_length_35mm,
            "R_cam_to_world": to_world.round(10).tolist(),
        },
        "distortion": {"model": "x_d = x_u (1 + k1 r_u^2), normalised by fx about (cx, cy)", "k1": camera.k1},
        "pixel_convention": "centre of top-left pixel is (0,0)",
        "light": dataclasses.asdict(r.light),
        "soil": {"kind": r.ground.soil, **dataclasses.asdict(r.ground)},
        "leaves": dataclasses.asdict(r.leaves),
        "weeds_per_m2": r.crop.weeds_per_m2,
        "stage_mean": r.crop.stage,
        "target": _target_record(scene),
        "sowing": dataclasses.asdict(r.planter),
        "row_spacing_mm": r.crop.row_width_mm,
        "rows": [{"row_id": row, "y_offset_mm": row * r.crop.row_width_mm} for row in rows],
        "world": "X along row, Y across row, Z up, mm; row 0 at Y=0",
        "counts": counts(scene.truth),
        "photo": dataclasses.asdict(r.capture),
    }
    return record


def _target_record(scene: Scene) -> dict[str, Any]:
    target = scene.target
    if target is None:
        return {"kind": "none"}

    def places(points: np.ndarray) -> dict[str, Any]:
        px, _ = scene.camera.project(points)
        return {"world_mm": points.round(3).tolist(), "px": px.round(3).tolist()}

    record: dict[str, Any] = {"kind": target.recipe.kind, "lift_mm": target.recipe.lift_mm}
    if target.recipe.kind == "board":
        record["markers"] = [
            {"id": id, "center": places(corners.mean(0)), "corners": places(corners)}
            for id, corners in target.markers.items()
        ]
    else:
        record |= {"length_mm": target.recipe.stick_length_mm, "ends": places(target.ends_mm)}
    return record


def write_scenes(
    book: RecipeBook, folder: Path, force: bool = False, flat: bool = False, progress: Any = None
) -> pd.DataFrame:
    """Make every scene of a book: ``images/ truth/ scenes/ masks/``, and all truth in ``truth.csv``.

    Parameters
    ----------
    flat : bool
        Only the photos, straight into the folder, and ``truth.csv``: a folder to count. Strips and flights go to
        ``strips/`` in it, with a ``truth.csv`` of their own.
    progress : callable, optional
        Called with each scene's name before it is made.

    Returns
    -------
    DataFrame
        Truth of all scenes.

    Raises
    ------
    ResultsExist
        The folder holds a truth table already and ``force`` is not set.
    UnwritableResults
        The folder cannot be made.
    """
    folder = Path(folder)
    if (folder / "truth.csv").exists() and not force:
        raise ResultsExist(f"{folder} already holds a truth.csv.", "Choose another folder, or add --force.")
    photos: list[pd.DataFrame] = []
    strips: list[pd.DataFrame] = []
    for recipe in book.scenes:
        if progress is not None:
            progress(recipe.name)
        if recipe.kind == "photo":
            places = Places.made(folder, flat)
            photos.append(_write_photo(recipe, book.seed, places))
            continue
        places = Places.made(folder / "strips" if flat else folder, flat)
        if recipe.kind == "strip":
            strips.append(write_strip(make_strip(recipe, recipe.rng(book.seed)), book.seed, places))
        else:
            strips.append(write_flight(make_flight(recipe, recipe.rng(book.seed)), book.seed, places))
    if flat and strips:
        write_truth(folder / "strips" / "truth.csv", pd.concat(strips, ignore_index=True))
    truth = pd.concat(photos + strips, ignore_index=True)
    own = photos if flat else photos + strips
    if own:
        write_truth(folder / "truth.csv", pd.concat(own, ignore_index=True))
    return truth


def _write_photo(recipe: SceneRecipe, seed: int, places: Places) -> pd.DataFrame:
    scene = make_scene(recipe, recipe.rng(seed))
    noise.write_jpeg(places.images / f"{recipe.name}.jpg", scene.rgb, recipe.capture, recipe.camera)
    if not places.flat:
        write_truth(places.truth / f"{recipe.name}.csv", scene.truth)
        write_record(places, recipe.name, scene_record(scene, seed))
        write_masks(places, recipe.name, scene.labels, numbered(scene.truth, scene.plant_ids))
    return scene.truth
