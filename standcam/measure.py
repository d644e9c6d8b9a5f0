"""The upper half as one function: a photo goes in, plants, positions and measured stretches come out."""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from standcam import flags, tables
from standcam.ground.calibrate import calibrate
from standcam.ground.map import GroundMap
from standcam.images.photo import Photo
from standcam.plants.network import Network
from standcam.plants.stems import Scene, Stems, first_votes, locate_stems, prepare
from standcam.plants.weeds import Weeds, find_weeds
from standcam.rows.find import find_rows, measured_stretch, middle_line, refit
from standcam.rows.line import RowLine
from standcam.settings import Settings
from standcam.spacing.positions import positions_from_plants
from standcam.vegetation.segment import Vegetation, segment


@dataclass(frozen=True)
class Measurement:
    """All that one photo gave. Holds no pixels, so it is small to store and to send between processes."""

    path: Path
    photo: str
    """File name of the photo."""
    plot: str
    width_px: int
    height_px: int
    sha256: str
    ground: GroundMap
    rows: tuple[RowLine, ...]
    """Row n of the tables is rows[n - 1]."""
    plants: pd.DataFrame
    """PLANTS table: crop and weeds, raw."""
    positions: pd.DataFrame
    """POSITIONS table: crop plants of measured rows; empty when there is no scale."""
    stretches: pd.DataFrame
    """STRETCHES table: one row a measured row."""
    flags: int = 0
    """Flags of the photo as a whole."""
    notes: tuple[str, ...] = ()
    """What a user should know, in sentences."""
    seconds: dict[str, float] = field(default_factory=dict)
    """Time a stage took. [s]"""


@dataclass(frozen=True)
class Networks:
    """The two networks of the stem locator; None takes the ones that ship with the package."""

    pointer: Network | None = None
    judge: Network | None = None


class _Clock:
    """Seconds of each stage."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._since = time.perf_counter()

    def lap(self, stage: str) -> None:
        now = time.perf_counter()
        self.seconds[stage] = round(now - self._since, 4)
        self._since = now


def measure_photo(
    photo: Photo, settings: Settings | None = None, plot: str | None = None, networks: Networks | None = None
) -> Measurement:
    """Find the plants of one photo.

    Parameters
    ----------
    photo : Photo
    settings : Settings, optional
    plot : str, optional
        Name of the plot; the file's name without ending by default.
    networks : Networks, optional
        Others than the ones that ship with the package, as while training.

    Raises
    ------
    BoardNotFound, StickNotFound, NoScale
        A calibration method was asked for by name and cannot serve; ``auto`` never raises these.
    """
    settings = settings or Settings()
    clock = _Clock()
    ground = calibrate(photo, settings.calibration)
    clock.lap("scale")
    return measure_on(photo, ground, settings, plot, networks, clock)


def measure_on(
    photo: Photo,
    ground: GroundMap,
    settings: Settings | None = None,
    plot: str | None = None,
    networks: Networks | None = None,
    clock: _Clock | None = None,
) -> Measurement:
    """The same on a ground map that is known already."""
    settings, networks, clock = settings or Settings(), networks or Networks(), clock or _Clock()
    vegetation = segment(photo, ground, settings.vegetation)
    clock.lap("vegetation")
    scene = prepare(vegetation, ground, settings.stems)
    votes = first_votes(scene, settings.stems, networks.pointer)
    clock.lap("votes")
    found = _rows_and_stems(scene, votes.points_cm[votes.crop >= settings.stems.sure_voter], settings, networks)
    clock.lap("rows_and_stems")
    crop = [stems.points_cm[stems.probability >= settings.stems.crop_probability] for _, stems in found]
    weeds = find_weeds(scene, votes, np.concatenate([np.empty((0, 2)), *crop]), settings.weeds)
    photo_flags = photo.flags | ground.flags
    notes = list(ground.notes)
    if not found:
        photo_flags |= flags.bit("no_plants")
        notes.append("No plant in a row was found: an empty stand, or a picture that cannot be read.")
        line = measured_stretch(middle_line(ground), ground, settings.rows)
        found = [(replace(line, flags=flags.bit("row_unsure")), Stems.none())]
    rows = tuple(_facing(line, ground) for line, _ in found)
    stems = [_turned(s, line, row) for (line, s), row in zip(found, rows, strict=True)]
    name, plot = photo.path.name, plot or photo.path.stem
    plants = _plants(name, plot, rows, stems, weeds, vegetation, scene, settings)
    stretches = _stretches(name, plot, rows, plants, ground, photo_flags)
    if not ground.has_scale:
        plants[["position_cm", "offset_cm", "position_sd_cm", "area_cm2"]] = np.nan
    clock.lap("tables")
    return Measurement(
        path=photo.path,
        photo=name,
        plot=plot,
        width_px=photo.width_px,
        height_px=photo.height_px,
        sha256=photo.sha256,
        ground=ground,
        rows=rows,
        plants=plants,
        positions=positions_from_plants(plants),
        stretches=stretches,
        flags=photo_flags,
        notes=tuple(notes),
        seconds=clock.seconds,
    )


def _rows_and_stems(
    scene: Scene, voters_cm: np.ndarray, settings: Settings, networks: Networks
) -> list[tuple[RowLine, Stems]]:
    """Measured rows with their stems, the row the photo was taken of first."""
    best: list[tuple[RowLine, Stems]] = []
    best_sum = 0.0
    for lines in find_rows(voters_cm, scene.ground, settings.rows):
        found = []
        for line in lines:
            row, stems = _follow(scene, line, settings, networks)
            if row.length_cm >= settings.rows.shortest_cm and len(stems):
                found.append((row, stems))
        # where two directions compete, the one along which more stems are judged crop is the planter's
        total = sum(float(s.probability.sum()) for _, s in found)
        if total > best_sum:
            best, best_sum = found, total
    return _choose(best, scene.ground, settings)


def _follow(scene: Scene, line: RowLine, settings: Settings, networks: Networks) -> tuple[RowLine, Stems]:
    """Stems along a first guess of a row, the line drawn again through them, and the stems along that."""
    row, stems = measured_stretch(line, scene.ground, settings.rows), Stems.none()
    for _ in range(2):
        if row.length_cm <= 0:
            return row, Stems.none()
        stems = locate_stems(scene, row, settings.stems, networks.pointer, networks.judge)
        if not len(stems):
            return row, stems
        row = measured_stretch(refit(row, stems.points_cm, stems.probability, settings.rows), scene.ground, settings.rows)
    inside = (row.position(stems.points_cm) >= row.from_cm) & (row.position(stems.points_cm) <= row.to_cm)
    return row, stems.at(inside, row)


def _choose(
    found: list[tuple[RowLine, Stems]], ground: GroundMap, settings: Settings
) -> list[tuple[RowLine, Stems]]:
    """Of the rows with stems, the one the photo was taken of first, then neighbours that can be trusted."""
    if not found:
        return []
    density = np.array([s.probability.sum() / max(row.length_cm, 1) for row, s in found])
    middle = ground.to_ground(np.array([[(ground.width_px - 1) / 2, (ground.height_px - 1) / 2]]))
    away = np.array([abs(float(row.offset(middle)[0])) for row, _ in found])
    strong = density >= settings.rows.main_share * density.max()
    main = min(np.flatnonzero(strong), key=lambda k: away[k])
    chosen = [found[main]]
    for k in np.argsort(away, kind="stable"):
        row, stems = found[k]
        if k == main or len(chosen) == settings.rows.most_rows:
            continue
        crop = stems.probability >= settings.stems.crop_probability
        turn = abs(np.dot(row.direction, chosen[0][0].direction))
        apart = min(abs(float(other.offset(row.points((row.from_cm + row.to_cm) / 2))[0])) for other, _ in chosen)
        trusted = (
            crop.sum() >= settings.rows.fewest_plants
            and stems.probability[crop].mean() >= settings.rows.neighbour_trust
            and density[k] >= settings.rows.weakest * density[main]
            and turn >= np.cos(np.deg2rad(settings.rows.parallel_deg))
            and apart >= settings.rows.apart_cm
            and not row.flags & flags.bit("row_unsure")
        )
        if trusted:
            chosen.append(found[k])
    return chosen


def _facing(row: RowLine, ground: GroundMap) -> RowLine:
    """The row with its positions running from 0, from left to right in the photo, or from the near end away."""
    ends = ground.to_pixels(row.points(np.array([row.from_cm, row.to_cm])))
    dx, dy = ends[1] - ends[0]
    backwards = dx < 0 if abs(dx) >= abs(dy) else dy > 0
    return row.turned_round() if backwards else row


def _turned(stems: Stems, old: RowLine, new: RowLine) -> Stems:
    return stems if new is old else stems.at(np.arange(len(stems))[::-1], new)


def _plants(
    photo: str,
    plot: str,
    rows: tuple[RowLine, ...],
    stems: list[Stems],
    weeds: Weeds,
    vegetation: Vegetation,
    scene: Scene,
    settings: Settings,
) -> pd.DataFrame:
    parts = []
    for n, (row, s) in enumerate(zip(rows, stems, strict=True), start=1):
        parts.append(
            pd.DataFrame(
                {
                    "row": n,
                    "x_cm": s.points_cm[:, 0],
                    "y_cm": s.points_cm[:, 1],
                    "position_cm": s.position_cm - row.from_cm,
                    "offset_cm": s.offset_cm,
                    "position_sd_cm": s.position_sd_cm,
                    "area_cm2": s.area_cm2,
                    "crop_probability": s.probability,
                    "is_crop": s.probability >= settings.stems.crop_probability,
                    "bits": _stem_flags(s, scene, vegetation, settings),
                }
            )
        )
    if len(weeds.points_cm):
        offsets = np.stack([np.abs(row.offset(weeds.points_cm)) for row in rows])
        nearest = offsets.argmin(axis=0)
        position = np.array([rows[k].position(p)[0] - rows[k].from_cm for k, p in zip(nearest, weeds.points_cm, strict=True)])
        offset = np.array([rows[k].offset(p)[0] for k, p in zip(nearest, weeds.points_cm, strict=True)])
        parts.append(
            pd.DataFrame(
                {
                    "row": nearest + 1,
                    "x_cm": weeds.points_cm[:, 0],
                    "y_cm": weeds.points_cm[:, 1],
                    "position_cm": position,
                    "offset_cm": offset,
                    "position_sd_cm": np.nan,
                    "area_cm2": weeds.area_cm2,
                    "crop_probability": weeds.probability,
                    "is_crop": False,
                    "bits": 0,
                }
            )
        )
    plants = pd.concat(parts, ignore_index=True)
    if not len(plants):
        return tables.empty(tables.PLANTS)
    px = scene.ground.to_pixels(plants[["x_cm", "y_cm"]].to_numpy())
    plants = plants.assign(
        photo=photo, plot=plot, x_px=px[:, 0], y_px=px[:, 1], flags=[flags.words(b) for b in plants["bits"]]
    )
    # crop first, so that plants carry the numbers a person would give them walking along the row
    plants = plants.sort_values(["row", "is_crop", "position_cm"], ascending=[True, False, True], kind="stable")
    plants["plant"] = np.arange(1, len(plants) + 1)
    return tables.conform(tables.PLANTS, plants.drop(columns=["x_cm", "y_cm", "bits"]))


def _stem_flags(stems: Stems, scene: Scene, vegetation: Vegetation, settings: Settings) -> np.ndarray:
    bits = np.zeros(len(stems), np.int64)
    if not len(stems):
        return bits
    near = np.diff(stems.position_cm) < settings.stems.double_cm
    bits[np.r_[near, False] | np.r_[False, near]] |= flags.bit("split")
    bits[stems.area_cm2 < settings.stems.weak_area_cm2] |= flags.bit("weak")
    px = scene.ground.to_pixels(stems.points_cm)
    size = np.array([scene.ground.width_px, scene.ground.height_px])
    reach = 2.0 / scene.ground.cm_per_px(px)[:, None]
    bits[((px < reach) | (px > size - 1 - reach)).any(axis=1)] |= flags.bit("at_edge")
    return bits


def _stretches(
    photo: str, plot: str, rows: tuple[RowLine, ...], plants: pd.DataFrame, ground: GroundMap, photo_flags: int
) -> pd.DataFrame:
    lines = []
    for n, row in enumerate(rows, start=1):
        ends = row.points(np.array([row.from_cm, row.to_cm]))
        px = ground.to_pixels(ends)
        count = int(((plants["row"] == n) & plants["is_crop"]).sum())
        bits = row.flags | photo_flags
        if ground.has_scale and _far(ends, ground):
            bits |= flags.bit("far_from_scale")
        lines.append(
            {
                "photo": photo,
                "plot": plot,
                "row": n,
                "from_cm": 0.0 if ground.has_scale else np.nan,
                "to_cm": row.length_cm if ground.has_scale else np.nan,
                "plants": count,
                "from_x_px": px[0, 0],
                "from_y_px": px[0, 1],
                "to_x_px": px[1, 0],
                "to_y_px": px[1, 1],
                "status": ("ok" if count else "empty") if ground.has_scale else "no_scale",
                "flags": flags.words(bits),
            }
        )
    return tables.conform(tables.STRETCHES, pd.DataFrame(lines))


FAR_ERROR_PCT = 2.0
"""Expected scale error at the far end of a row from which the row is flagged: an even stand's CV is read about this
much wrong before anyone would act on it (chosen by us). [%]"""


def _far(ends_cm: np.ndarray, ground: GroundMap) -> bool:
    if ground.mark_px is None or not np.isfinite(ground.scale_error_pct_per_m):
        return False
    mark = ground.to_ground(np.array([ground.mark_px]))[0]
    reach_m = np.linalg.norm(ends_cm - mark, axis=1).max() / 100
    return bool(reach_m * ground.scale_error_pct_per_m > FAR_ERROR_PCT)
