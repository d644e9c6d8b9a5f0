"""Raw frames of one flight: a strip's field seen from some metres up, straight down, frame after frame.

The ground, with straw and shadows, is drawn once from above and looked at through each frame's lens as a plane: at
such heights relief of a centimetre moves by a pixel or two. Plants stand up from it and lean outwards, as in any frame.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd

from standcam.errors import BadSettings
from standcam.synthetic import ground_grid, noise, raster
from standcam.synthetic import light as lighting
from standcam.synthetic.camera import Camera, turned
from standcam.synthetic.mesh import Mesh, join
from standcam.synthetic.ortho import OrthoCamera
from standcam.synthetic.places import Places, numbered, write_masks, write_record, write_truth
from standcam.synthetic.recipe import CaptureRecipe, SceneRecipe
from standcam.synthetic.render import compose, in_picture, shade, visibility, vote
from standcam.synthetic.strip import (
    STRIP_COLUMNS,
    VISIBLE_MM2,
    places,
    strip_field,
    strip_streams,
    to_map,
)
from standcam.synthetic.strip_field import StripField, strip_camera
from standcam.synthetic.strip_files import field_record
from standcam.synthetic.strip_recipe import MOST_PX
from standcam.synthetic.strip_render import LEAF_REACH_MM, plant_meshes, render_strip
from standcam.synthetic.truth import VISIBLE_SHARE, masks, share_shown

FINEST_GROUND = 0.7
"""Pixels of the ground picture, as a share of the frames'."""
DIAGONAL_35MM = float(np.hypot(36.0, 24.0))
"""Of the format that 35 mm equivalents refer to. [mm]"""


@dataclass(frozen=True)
class Frame:
    """One raw frame with all that is true about it."""

    name: str
    rgb: np.ndarray
    """uint8. (H, W, 3)"""
    camera: Camera
    """In the strip's world: X along the rows."""
    truth: pd.DataFrame
    """As of strips; x_px, y_px in this frame, map_x, map_y where the stem stands."""
    labels: np.ndarray
    plant_ids: np.ndarray
    place_m: tuple[float, float, float]
    """True easting, northing and height above the ground. [m]"""
    noted_m: tuple[float, float, float]
    """Those that EXIF tells, height as altitude above the sea. [m]"""
    up_deg: float
    """Bearing of the frame's upper edge, clockwise from grid north. [degrees]"""


@dataclass(frozen=True)
class Flight:
    """Raw frames of one field."""

    recipe: SceneRecipe
    frames: tuple[Frame, ...]
    truth: pd.DataFrame
    """Every plant whose base is in a frame, once: columns of strips, pixels missing, ``visible`` in any frame."""
    field: StripField


def make_flight(recipe: SceneRecipe, rng: np.random.Generator) -> Flight:
    """Lay the field of the recipe's strip, fly over its middle, draw each frame."""
    for_field, for_surface, for_places, for_sensor = strip_streams(rng)
    field = strip_field(recipe, for_field)
    camera = strip_camera(recipe)
    table = places(recipe, field, camera, recipe.name)
    cameras = _cameras(recipe, camera, for_places)
    ground = _ground_camera(cameras, max(FINEST_GROUND * recipe.flight.mm_per_px, 1.0))
    drawn = render_strip(recipe, field, ground, for_surface, plants_show=False).linear
    frames = []
    for n, (own, noted, up) in enumerate(cameras, 1):
        name = f"{recipe.name}_{n:02d}"
        frames.append(_frame(name, recipe, field, table, own, noted, up, drawn, ground, for_sensor))
    seen = pd.concat([f.truth for f in frames], ignore_index=True)
    best = seen[seen.in_image == 1].groupby("plant_id")
    whole = table.assign(image=recipe.name, x_px=np.nan, y_px=np.nan).set_index("plant_id", drop=False)
    whole = whole.loc[whole.index.isin(list(best.groups))]
    for column, of in {"visible": "max", "visible_frac": "max", "n_px": "max", "base_visible": "max"}.items():
        whole[column] = best[column].agg(of).reindex(whole.index)
    whole["in_image"] = 1
    return Flight(recipe, tuple(frames), whole[STRIP_COLUMNS].reset_index(drop=True), field)


def _cameras(
    recipe: SceneRecipe, strip: OrthoCamera, rng: np.random.Generator
) -> list[tuple[Camera, tuple[float, float, float], float]]:
    """Camera, noted place and bearing of each frame, in the order flown."""
    f = recipe.flight
    focal_px = f.focal_mm / f.sensor_width_mm * f.width_px
    tall, wide = f.height_px * f.mm_per_px, f.width_px * f.mm_per_px
    heading = np.deg2rad(f.heading_deg)
    ahead, left = np.array([np.cos(heading), np.sin(heading)]), np.array([-np.sin(heading), np.cos(heading)])
    along = (np.arange(f.frames) - (f.frames - 1) / 2) * tall * (1 - f.overlap)
    across = (np.arange(f.rows) - (f.rows - 1) / 2) * wide * (1 - f.side_overlap)
    origin = to_map(recipe, strip.centre_px[None])[0]
    cameras = []
    for line, off in enumerate(across):
        for step in along if line % 2 == 0 else along[::-1]:
            height = f.height_mm + rng.normal(0, f.place_sd_mm / 3)
            plan = step * ahead + off * left + rng.normal(0, f.place_sd_mm, 2)
            # the picture's upper edge points along the flight; back on every second line it stays so
            up = f.heading_deg + rng.normal(0, f.sway_deg)
            lean = abs(rng.normal(0, f.sway_deg))
            towards = rng.uniform(0, 360)
            world_up = up - recipe.strip.heading_deg
            rotation, _ = turned(towards, lean, 0.0)
            # turn about the axis of sight so that the upper edge points where it should
            rotation = _rolled(rotation, world_up)
            c, s = np.cos(strip.heading), np.sin(strip.heading)
            x, y = c * plan[0] + s * plan[1], c * plan[1] - s * plan[0]
            own = Camera(np.array([x, y, height]), rotation, float(focal_px), f.width_px, f.height_px, f.k1)
            noted = np.r_[origin + plan / 1000, f.ground_altitude_m + height / 1000]
            noted = noted + rng.normal(0, f.gps_sd_mm / 1000, 3)
            cameras.append((own, (float(noted[0]), float(noted[1]), float(noted[2])), float((90 - up) % 360)))
    return cameras


def _rolled(rotation: np.ndarray, up_deg: float) -> np.ndarray:
    """The same line of sight, turned about it until the ground direction ``up_deg`` is up in the picture."""
    ahead = np.array([np.cos(np.deg2rad(up_deg)), np.sin(np.deg2rad(up_deg)), 0.0])
    forward = rotation[2]
    up = ahead - (ahead @ forward) * forward
    up /= np.linalg.norm(up)
    return np.stack([np.cross(forward, up), -up, forward])


def _corners(camera: Camera) -> np.ndarray:
    w, h = camera.width_px - 0.5, camera.height_px - 0.5
    middle = [[-0.5, h / 2], [w / 2, -0.5], [w, h / 2], [w / 2, h]]
    return camera.to_plane(np.array([[-0.5, -0.5], [w, -0.5], [w, h], [-0.5, h], *middle]))


def _ground_camera(cameras: list, mm_per_px: float) -> OrthoCamera:
    """A view from above, rows along x, of all ground that the frames show."""
    seen = np.concatenate([_corners(camera) for camera, _, _ in cameras])
    size = np.ceil((seen.max(0) - seen.min(0) + 100) / mm_per_px).astype(int)
    if size.prod() > MOST_PX:
        raise BadSettings(
            f"The frames of this flight show {size.prod() * mm_per_px**2 / 1e6:.0f} m² at {mm_per_px:.1f} mm.",
            f"At most {MOST_PX / 1e6:g} million pixels are made: take fewer frames or coarser ones.",
        )
    return OrthoCamera((seen.min(0) + seen.max(0)) / 2, 0.0, mm_per_px, int(size[0]), int(size[1]))


def _frame(
    name: str,
    recipe: SceneRecipe,
    field: StripField,
    table: pd.DataFrame,
    camera: Camera,
    noted: tuple[float, float, float],
    up_deg: float,
    ground: np.ndarray,
    over: OrthoCamera,
    rng: np.random.Generator,
) -> Frame:
    plants = field.plants
    bases = plants[["x_mm", "y_mm", "z_mm"]].to_numpy(float)
    corners = _corners(camera)
    low, high = corners.min(0), corners.max(0)
    near = ((bases[:, :2] > low - LEAF_REACH_MM) & (bases[:, :2] < high + LEAF_REACH_MM)).all(1)
    mesh = join(plant_meshes(recipe, plants, bases, np.flatnonzero(near)))
    linear, owner, corners_px = _look(recipe, camera, mesh, low, high, ground, over)
    shown = visibility(plants, camera, mesh, corners_px, owner)
    px, _ = camera.project(bases)
    share = share_shown(shown)
    inside, area = in_picture(px, camera), shown.n_px * recipe.flight.mm_per_px**2
    truth = table.assign(
        image=f"{name}.jpg",
        x_px=px[:, 0].round(2),
        y_px=px[:, 1].round(2),
        in_image=inside.astype(int),
        visible=(inside & (share >= VISIBLE_SHARE) & (area >= VISIBLE_MM2)).astype(int),
        visible_frac=share.round(3),
        n_px=shown.n_px.round(1),
        base_visible=shown.base_visible.astype(int),
    )
    listed = ((truth.n_px > 0) | (truth.in_image == 1)).to_numpy()
    labels, plant_ids = masks(vote(owner), listed, plants.kind)
    east, north = _on_map(recipe, camera.position_mm[:2])
    return Frame(
        name,
        noise.develop(linear, recipe.capture, rng),
        camera,
        truth.loc[listed, STRIP_COLUMNS].reset_index(drop=True),
        labels,
        plant_ids,
        (east, north, float(camera.position_mm[2]) / 1000),
        noted,
        up_deg,
    )


def _look(
    recipe: SceneRecipe,
    camera: Camera,
    mesh: Mesh,
    low: np.ndarray,
    high: np.ndarray,
    ground: np.ndarray,
    over: OrthoCamera,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Linear light of a frame, owner of each sample, and where the mesh's corners are drawn."""
    corners_px, distance = camera.project(mesh.corners)
    order = np.argsort(-distance.mean(1), kind="stable")
    samples = raster.fill(corners_px, order, camera.width_px, camera.height_px)
    step = 8
    w, h = camera.width_px, camera.height_px
    knots = np.stack(np.meshgrid(np.arange(0, w + step, step), np.arange(0, h + step, step)), axis=-1)
    plane = camera.to_plane(knots.reshape(-1, 2))
    at, _ = over.project(np.c_[plane, np.zeros(len(plane))])
    at = at.reshape(knots.shape).astype(np.float32)
    x, y = np.meshgrid(np.arange(w, dtype=np.float32) / step, np.arange(h, dtype=np.float32) / step)
    at = cv2.remap(at, x, y, cv2.INTER_LINEAR)
    x0, y0 = np.floor(at.min((0, 1))).astype(int) - 2
    x1, y1 = np.ceil(at.max((0, 1))).astype(int) + 3
    x0, y0 = max(x0, 0), max(y0, 0)
    piece = ground[y0:y1, x0:x1].astype(np.float32)
    x, y = (at - np.array([x0, y0], np.float32)).transpose(2, 0, 1)
    seen = cv2.remap(
        piece, np.ascontiguousarray(x), np.ascontiguousarray(y), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    grid = ground_grid.make_grid(low - 100, high + 100, 0.9 * recipe.flight.mm_per_px)
    light = lighting.cast(recipe.light, None, 0.0, mesh, grid)
    colour = shade(mesh, samples, camera, light, None, recipe.leaves)
    owner = np.where(samples.index >= 0, mesh.owner[samples.index], 0) if len(mesh) else np.zeros_like(samples.index)
    return compose(seen, samples, colour), owner, corners_px


def _on_map(recipe: SceneRecipe, world_mm: np.ndarray) -> tuple[float, float]:
    camera = strip_camera(recipe)
    px, _ = camera.project(np.r_[world_mm, 0.0])
    east, north = to_map(recipe, px[None])[0]
    return float(east), float(north)


def flight_record(flight: Flight, seed: int | None = None) -> dict[str, Any]:
    """What a flight was made of: the field, and each frame's camera."""
    r, s, lanes = flight.recipe, flight.recipe.strip, flight.field.lanes
    return {
        "image": r.name,
        "seed": seed,
        "crop": r.crop.species,
        "fault": None,
        "mode": "drone",
        "story": r.story,
        "frames": [_frame_record(frame, r) for frame in flight.frames],
        "flight": dataclasses.asdict(r.flight) | {"mm_per_px": r.flight.mm_per_px},
        "distortion": {"model": "x_d = x_u (1 + k1 r_u^2), normalised by fx about (cx, cy)", "k1": r.flight.k1},
        **field_record(r, lanes),
        "row_heading_deg_from_x": s.heading_deg,
        "world": "X along row, Y across row (left of travel), Z up, mm",
        "origin": {"crs": f"EPSG:{s.epsg}", "easting_northing_m": list(_on_map(r, np.zeros(2)))},
        "photo": dataclasses.asdict(r.capture),
    }


def _frame_record(frame: Frame, recipe: SceneRecipe) -> dict[str, Any]:
    camera = frame.camera
    to_world = camera.rotation.T @ np.diag([1.0, -1.0, -1.0])
    return {
        "image": f"{frame.name}.jpg",
        "position_mm": camera.position_mm.round(3).tolist(),
        "easting_northing_height_m": [round(v, 4) for v in frame.place_m],
        "fx_px": camera.focal_px,
        "fy_px": camera.focal_px,
        "cx_px": float(camera.centre_px[0]),
        "cy_px": float(camera.centre_px[1]),
        "R_cam_to_world": to_world.round(10).tolist(),
        "up_bearing_deg": round(frame.up_deg, 4),
        "mm_per_px": round(float(camera.position_mm[2]) / camera.focal_px, 5),
    }


def write_flight(flight: Flight, seed: int, places: Places) -> pd.DataFrame:
    """Frames into a folder of their own; unless flat, truth of the field and of each frame, record and masks."""
    name = flight.recipe.name
    folder = places.images / name
    folder.mkdir(exist_ok=True)
    for n, frame in enumerate(flight.frames):
        _write_frame(folder / f"{frame.name}.jpg", frame, flight.recipe, n)
        if not places.flat:
            write_truth(places.truth / f"{frame.name}.csv", frame.truth)
            write_masks(places, frame.name, frame.labels, numbered(frame.truth, frame.plant_ids))
    if not places.flat:
        write_truth(places.truth / f"{name}.csv", flight.truth)
        write_record(places, name, flight_record(flight, seed))
    return flight.truth


def _write_frame(path: Path, frame: Frame, recipe: SceneRecipe, n: int) -> None:
    """JPEG with the EXIF facts of a drone: time, focal length, position, altitude, bearing of the upper edge."""
    from PIL import Image
    from PIL.TiffImagePlugin import IFDRational

    capture: CaptureRecipe = recipe.capture
    f = recipe.flight
    image = Image.fromarray(frame.rgb)
    exif = image.getexif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "standcam", "synthetic drone", 1
    day, clock = capture.taken.split(" ")
    hours, minutes, seconds = (int(v) for v in clock.split(":"))
    total = hours * 3600 + minutes * 60 + seconds + 2 * n
    taken = f"{day} {total // 3600 % 24:02d}:{total // 60 % 60:02d}:{total % 60:02d}"
    exif[0x0132] = taken
    detail = exif.get_ifd(0x8769)
    detail[0x9003] = taken
    detail[0x920A] = IFDRational(round(f.focal_mm * 100), 100)
    tall = f.sensor_width_mm * f.height_px / f.width_px
    detail[0xA405] = round(f.focal_mm * DIAGONAL_35MM / float(np.hypot(f.sensor_width_mm, tall)))
    # pixels of the sensor per centimetre
    detail[0xA20E] = detail[0xA20F] = IFDRational(round(f.width_px / f.sensor_width_mm * 10_000), 1000)
    detail[0xA210] = 3
    longitude, latitude = degrees_of(recipe.strip.epsg, frame.noted_m[0], frame.noted_m[1])
    place = exif.get_ifd(0x8825)
    place[0] = b"\x02\x03\x00\x00"
    place[1], place[2] = "N" if latitude >= 0 else "S", _sexagesimal(latitude)
    place[3], place[4] = "E" if longitude >= 0 else "W", _sexagesimal(longitude)
    place[5], place[6] = b"\x00", IFDRational(round(frame.noted_m[2] * 1000), 1000)
    bearing = true_bearing(recipe.strip.epsg, frame.noted_m[0], frame.noted_m[1], frame.up_deg)
    place[16], place[17] = "T", IFDRational(round(bearing * 100), 100)
    extra = _xmp(frame, recipe, bearing) if f.xmp else b""
    image.save(path, quality=capture.jpeg_quality, exif=exif, subsampling=2, extra=extra)


def _xmp(frame: Frame, recipe: SceneRecipe, bearing_deg: float) -> bytes:
    """A JPEG segment with what EXIF has no tags for: height above the take-off, and the camera's mount."""
    height = frame.noted_m[2] - recipe.flight.ground_altitude_m
    lean = np.degrees(np.arccos(np.clip(-frame.camera.rotation[2, 2], -1, 1)))
    packet = (
        '<?xpacket begin="" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/">'
        '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        '<rdf:Description rdf:about="" xmlns:flight="https://standcam.invalid/flight/"'
        f' flight:RelativeAltitude="{height:+.3f}" flight:GimbalPitchDegree="{lean - 90:+.2f}"'
        f' flight:GimbalYawDegree="{(bearing_deg + 180) % 360 - 180:+.2f}"/>'
        '</rdf:RDF></x:xmpmeta><?xpacket end="w"?>'
    )
    data = b"http://ns.adobe.com/xap/1.0/\0" + packet.encode()
    return b"\xff\xe1" + (len(data) + 2).to_bytes(2, "big") + data


def degrees_of(epsg: int, easting_m: float, northing_m: float) -> tuple[float, float]:
    """Longitude and latitude (WGS 84) of a map place. [degrees]"""
    from pyproj import Transformer

    longitude, latitude = Transformer.from_crs(epsg, 4326, always_xy=True).transform(easting_m, northing_m)
    return float(longitude), float(latitude)


def true_bearing(epsg: int, easting_m: float, northing_m: float, grid_deg: float) -> float:
    """Bearing from true north of a bearing from grid north. [degrees]"""
    from pyproj import Geod

    here = degrees_of(epsg, easting_m, northing_m)
    turn = np.deg2rad(grid_deg)
    there = degrees_of(epsg, easting_m + 100 * float(np.sin(turn)), northing_m + 100 * float(np.cos(turn)))
    forward, _, _ = Geod(ellps="WGS84").inv(*here, *there)
    return float(forward) % 360


def _sexagesimal(degrees: float) -> tuple[Any, Any, Any]:
    """Degrees, minutes and seconds as EXIF has them; a ten-thousandth of a second is 3 mm."""
    from PIL.TiffImagePlugin import IFDRational

    left = round(abs(degrees) * 3600 * 10_000)
    whole, left = divmod(left, 3600 * 10_000)
    minutes, seconds = divmod(left, 60 * 10_000)
    return IFDRational(whole, 1), IFDRational(minutes, 1), IFDRational(seconds, 10_000)
