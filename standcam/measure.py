"""The upper half as one function: a photo goes in, plants, positions and measured stretches come out."""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from standcam import flags, tables
from standcam.chain.register import MARKS
from standcam.ground.calibrate import calibrate
from standcam.ground.geometry import board_label
from standcam.ground.map import GroundMap
from standcam.images.photo import Photo
from standcam.plants.locate import look_over
from standcam.plants.stems import Seen, Stems, green_areas, stems_along
from standcam.plants.traits import traits
from standcam.plants.view import View, view_of
from standcam.rows.find import field_of, find_rows, measured_stretch, middle_line, refit
from standcam.rows.lean import lean_along
from standcam.rows.line import RowLine
from standcam.settings import Settings, StemSettings
from standcam.spacing.positions import positions_from_plants
from standcam.trust import finds_unsure
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
    traits: pd.DataFrame | None = None
    """Looks of the plants, row by row as in ``plants``; only where they were asked for."""
    marks: pd.DataFrame | None = None
    """MARKS: corners of board markers along and across each row; empty without board. Ties overlapping photos."""


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
    photo: Photo, settings: Settings | None = None, plot: str | None = None, looks: bool = False
) -> Measurement:
    """Find the plants of one photo.

    Parameters
    ----------
    photo : Photo
    settings : Settings, optional
    plot : str, optional
        Name of the plot; the file's name without ending by default.
    looks : bool
        Keep the looks of the plants too (``Measurement.traits``), which labels need.

    Raises
    ------
    BoardNotFound, StickNotFound, NoScale
        A calibration method was asked for by name and cannot serve; ``auto`` never raises these.
    """
    settings = settings or Settings()
    clock = _Clock()
    ground = calibrate(photo, settings.calibration)
    clock.lap("scale")
    return measure_on(photo, ground, settings, plot, clock, looks)


def measure_on(
    photo: Photo,
    ground: GroundMap,
    settings: Settings | None = None,
    plot: str | None = None,
    clock: _Clock | None = None,
    looks: bool = False,
) -> Measurement:
    """The same on a ground map that is known already."""
    settings, clock = settings or Settings(), clock or _Clock()
    scene = _Scene(segment(photo, ground, settings.vegetation), ground, view_of(ground), settings)
    clock.lap("vegetation")
    field = field_of(ground, settings.rows)
    photo_flags = photo.flags | ground.flags
    notes = list(ground.notes)
    seen, found = Seen.nothing(), []
    if len(field.points_cm):
        seen = look_over(field.points_cm, scene.vegetation, ground, scene.view, settings.stems)
        clock.lap("stems")
        directions = find_rows(seen.crop_cm, seen.crop_probability, field, settings.rows)
        found = _rows_and_stems(scene, seen, directions)
    if not any((s.probability >= settings.stems.crop_probability).any() for _, s in found):
        photo_flags |= flags.bit("no_plants")
        notes.append(
            "No plant in a row was found: an empty stand, or a picture that cannot be read."
            if len(field.points_cm)
            else f"Nowhere does a pixel show less than {settings.rows.coarsest_mm_per_px:g} mm of ground, which it "
            "takes to tell stems: photograph from closer, or check the scale."
        )
        line = measured_stretch(middle_line(ground), ground, settings.rows)
        doubtful = found[0][1] if found else Stems.none()
        order = np.argsort(line.position(doubtful.points_cm), kind="stable")
        found = [(replace(line, flags=flags.bit("row_unsure")), doubtful.at(order, line))]
    if told := _lean(found, scene):
        photo_flags |= flags.bit("board_tilted")
        notes.append(told)
    clock.lap("rows")
    rows = tuple(_facing(line, ground) for line, _ in found)
    stems = [_turned(s, line, row) for (line, s), row in zip(found, rows, strict=True)]
    name, plot = photo.path.name, plot or photo.path.stem
    plants = _plants(name, plot, rows, stems, seen, scene)
    rows = tuple(_crowded(row, scene) for row in rows)
    stretches = _stretches(name, plot, rows, plants, ground, photo_flags)
    found_traits = None
    if looks:
        places = ground.to_ground(plants[["x_px", "y_px"]].to_numpy(float))
        found_traits = traits(places, plants["offset_cm"].to_numpy(float), seen, scene.vegetation, ground)
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
        traits=found_traits,
        marks=_marks(name, plot, rows, ground, settings.calibration.board is None),
    )


@dataclass(frozen=True)
class _Scene:
    """What all rows of a photo share."""

    vegetation: Vegetation
    ground: GroundMap
    view: View
    settings: Settings


def _rows_and_stems(scene: _Scene, seen: Seen, directions: list[list[RowLine]]) -> list[tuple[RowLine, Stems]]:
    """Measured rows with their stems, the row the photo was taken of first."""
    best: list[tuple[RowLine, Stems]] = []
    best_sum = 0.0
    for lines in directions:
        found = []
        for line in lines:
            row, stems = _follow(scene, seen, line)
            if row.length_cm >= scene.settings.rows.shortest_cm and len(stems):
                found.append((row, stems))
        # where two directions compete, the one along which more stems are judged crop is the planter's; the first
        # stem of a row says nothing of its direction
        total = sum(max(float(s.probability.sum()) - 1, 0.01) for _, s in found)
        if total > best_sum:
            best, best_sum = found, total
    return _choose(best, scene.ground, scene.settings)


def _follow(scene: _Scene, seen: Seen, line: RowLine) -> tuple[RowLine, Stems]:
    """A row drawn again through the stems near its first guess, twice, and its stems."""
    row = line
    for _ in range(2):
        stems = stems_along(row, seen, scene.settings.stems)
        row = refit(row, stems.points_cm, stems.probability, scene.settings.rows)
    row = measured_stretch(row, scene.ground, scene.settings.rows)
    stems = stems_along(row, seen, scene.settings.stems)
    return row, stems.at((stems.position_cm >= row.from_cm) & (stems.position_cm <= row.to_cm), row)


def _choose(found: list[tuple[RowLine, Stems]], ground: GroundMap, settings: Settings) -> list[tuple[RowLine, Stems]]:
    """Of the rows with stems, the one the photo was taken of first, then neighbours that can be trusted."""
    if not found:
        return []
    length = np.array([max(row.length_cm, 1.0) for row, _ in found])
    density = np.array([s.probability.sum() for _, s in found]) / length
    middle = ground.to_ground(ground.middle_px)
    away = np.array([abs(float(row.offset(middle)[0])) for row, _ in found])
    # a few plants on a short piece of a neighbour are no measure of how dense rows are
    strong = density >= settings.rows.main_share * density[length >= length.max() / 2].max()
    main = min(np.flatnonzero(strong), key=lambda k: away[k])
    chosen = [found[main]]
    flat = ground.flags & flags.bit("scale_flat")
    parallel = settings.rows.flat_fan_deg if flat else settings.rows.parallel_deg
    for k in np.argsort(away, kind="stable"):
        row, stems = found[k]
        if k == main or len(chosen) == settings.rows.most_rows:
            continue
        crop = stems.probability >= settings.stems.crop_probability
        turn = abs(np.dot(row.direction, chosen[0][0].direction))
        apart = min(abs(float(other.offset(row.middle_cm)[0])) for other, _ in chosen)
        trusted = (
            crop.sum() >= settings.rows.fewest_plants
            and stems.probability[crop].mean() >= settings.rows.neighbour_trust
            and density[k] >= settings.rows.weakest * density[main]
            and turn >= np.cos(np.deg2rad(parallel))
            and apart >= settings.rows.apart_cm
            and not row.flags & flags.bit("row_unsure")
        )
        if trusted:
            chosen.append(found[k])
    return chosen


def _lean(found: list[tuple[RowLine, Stems]], scene: _Scene) -> str:
    """That the board does not lie flat, in words, where rows that were drilled parallel tell it; empty elsewhere."""
    if scene.ground.method != "board":
        return ""
    sure = [s.points_cm[s.probability >= scene.settings.stems.crop_probability] for _, s in found]
    lean = lean_along(sure, scene.view.height_cm)
    if lean is None or not lean.told:
        return ""
    return (
        f"Rows run together on the ground as if the board leaned by {lean.angle_deg:.0f} degrees (standard error "
        f"{lean.sd_deg:.1f}): lay it flat on the soil. It may be flat if rows of two passes are not parallel."
    )


def _facing(row: RowLine, ground: GroundMap) -> RowLine:
    """The row with its positions running from 0, from left to right in the photo, or from the near end away."""
    ends = ground.to_pixels(row.points(np.array([row.from_cm, row.to_cm])))
    dx, dy = ends[1] - ends[0]
    backwards = dx < 0 if abs(dx) >= abs(dy) else dy > 0
    return row.turned_round() if backwards else row


def _turned(stems: Stems, old: RowLine, new: RowLine) -> Stems:
    return stems if new is old else stems.at(np.arange(len(stems))[::-1], new)


def _plants(
    photo: str, plot: str, rows: tuple[RowLine, ...], stems: list[Stems], seen: Seen, scene: _Scene
) -> pd.DataFrame:
    settings = scene.settings.stems
    # one table, built at the end: a table a part, and each step on tables, takes longer than finding the rows
    parts: list[dict[str, np.ndarray]] = [
        {
            "row": np.full(len(s), n),
            "places": s.points_cm,
            "position_cm": s.position_cm - row.from_cm,
            "offset_cm": s.offset_cm,
            "position_sd_cm": s.position_sd_cm,
            "crop_probability": s.probability,
            "is_crop": s.probability >= settings.crop_probability,
            "judged": np.where(s.probability >= settings.crop_probability, "crop", "doubtful"),
            "bits": _neighbour_flags(s, settings),
        }
        for n, (row, s) in enumerate(zip(rows, stems, strict=True), start=1)
    ]
    likely = seen.crop_cm[seen.crop_probability >= settings.lowest_probability * 3]
    weeds = _clear_of(seen.weed_cm, likely, settings.weeds_apart_cm)
    weeds &= beside(rows, seen.weed_cm, settings.weeds_reach_cm)
    if weeds.any():
        places = seen.weed_cm[weeds]
        offsets = np.stack([row.offset(places) for row in rows])
        nearest = np.abs(offsets).argmin(axis=0)
        each = np.arange(len(places))
        positions = np.stack([row.position(places) - row.from_cm for row in rows])
        parts.append(
            {
                "row": nearest + 1,
                "places": places,
                "position_cm": positions[nearest, each],
                "offset_cm": offsets[nearest, each],
                "position_sd_cm": np.full(len(places), np.nan),
                "crop_probability": 1 - seen.weed_probability[weeds],
                "is_crop": np.zeros(len(places), bool),
                "judged": np.full(len(places), "weed"),
                "bits": np.zeros(len(places), int),
            }
        )
    found = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    n = len(found["row"])
    if not n:
        return tables.empty(tables.PLANTS)
    places, bits = found.pop("places"), found.pop("bits")
    px = scene.ground.to_pixels(places)
    area = green_areas(places, scene.vegetation, scene.ground)
    bits = bits | _picture_flags(px, area, scene)
    order = walking_order(found["row"], found["is_crop"], found["position_cm"])
    columns: dict[str, Any] = {name: values[order] for name, values in found.items()} | {
        "photo": photo,
        "plot": plot,
        "plant": np.arange(1, n + 1),
        "x_px": px[order, 0],
        "y_px": px[order, 1],
        "area_cm2": area[order],
        "judged": found["judged"][order].astype(object),
        "flags": [flags.words(b) for b in bits[order]],
    }
    return tables.conform(tables.PLANTS, pd.DataFrame({name: columns[name] for name in tables.PLANTS.names}))


def walking_order(row: npt.ArrayLike, is_crop: npt.ArrayLike, position_cm: npt.ArrayLike) -> np.ndarray:
    """Order of a photo's plants: row by row, crop first, as a person would number them walking along. (n,) int"""
    return np.lexsort((np.asarray(position_cm), ~np.asarray(is_crop, bool), np.asarray(row)))


def beside(rows: tuple[RowLine, ...], places: np.ndarray, reach_cm: float) -> np.ndarray:
    """Which places lie beside the measured stretch of a row: farther off, another row's plants would pass for weeds."""
    near = np.zeros(len(places), bool)
    for row in rows:
        position = row.position(places)
        along = (position >= row.from_cm) & (position <= row.to_cm)
        near |= along & (np.abs(row.offset(places)) <= reach_cm)
    return near


def _clear_of(places: np.ndarray, others: np.ndarray, apart_cm: float) -> np.ndarray:
    """Which places lie no nearer than ``apart_cm`` to any of the others. (n,) bool"""
    if not len(places) or not len(others):
        return np.ones(len(places), bool)
    return np.linalg.norm(places[:, None] - others[None], axis=2).min(axis=1) >= apart_cm


def _neighbour_flags(stems: Stems, settings: StemSettings) -> np.ndarray:
    near = np.diff(stems.position_cm) < settings.double_cm
    touching = np.zeros(len(stems), bool)
    touching[:-1] |= near
    touching[1:] |= near
    return np.where(touching, flags.bit("split"), 0)


def _picture_flags(px: np.ndarray, area_cm2: np.ndarray, scene: _Scene) -> np.ndarray:
    bits = np.where(area_cm2 < scene.settings.stems.weak_area_cm2, flags.bit("weak"), 0)
    size = np.array([scene.ground.width_px, scene.ground.height_px])
    reach = 2.0 / scene.ground.cm_per_px(px)[:, None]
    edge = ((px < reach) | (px > size - 1 - reach)).any(axis=1)
    return bits | np.where(edge, flags.bit("at_edge"), 0)


def _crowded(row: RowLine, scene: _Scene) -> RowLine:
    """The row, flagged where leaves close over most of its line: a plant may then hide behind another."""
    places = np.arange(row.from_cm, row.to_cm, 1.0)
    if not len(places):
        return row
    at = np.nan_to_num(np.round(scene.vegetation.to_work(scene.ground.to_pixels(row.points(places)))), nan=-1)
    h, w = scene.vegetation.mask.shape
    inside = (at >= 0).all(axis=1) & (at[:, 0] < w) & (at[:, 1] < h)
    x, y = at[inside].astype(int).T
    green = scene.vegetation.mask[y, x].sum() / len(places)
    closed = green > scene.settings.rows.closed_share
    return replace(row, flags=row.flags | (flags.bit("crowded") if closed else 0))


def _stretches(
    photo: str,
    plot: str,
    rows: tuple[RowLine, ...],
    plants: pd.DataFrame,
    ground: GroundMap,
    photo_flags: int,
) -> pd.DataFrame:
    lines = []
    of_row, judged = plants["row"].to_numpy(), plants["judged"].to_numpy(object)
    crop, weeds = plants["is_crop"].to_numpy(bool), judged == "weed"
    for n, row in enumerate(rows, start=1):
        own = of_row == n
        ends = row.points(np.array([row.from_cm, row.to_cm]))
        px = ground.to_pixels(ends)
        count = int((own & crop).sum())
        bits = row.flags | photo_flags
        if finds_unsure(plants[["crop_probability"]][own & ~weeds]):
            bits |= flags.bit("finds_unsure")
        # nothing measured is no empty stand
        status = "no_row" if row.length_cm <= 0 else "ok" if count else "empty"
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
                "status": status if ground.has_scale else "no_scale",
                "flags": flags.words(bits),
                "weeds": float((own & weeds).sum()),
            }
        )
    columns = {name: [line[name] for line in lines] for name in tables.STRETCHES.names if name in lines[0]}
    return tables.conform(tables.STRETCHES, pd.DataFrame(columns))


def _marks(photo: str, plot: str, rows: tuple[RowLine, ...], ground: GroundMap, built_in: bool) -> pd.DataFrame:
    """Where the corners of the markers read lie along and across each row."""
    known = ground.method == "board" and len(ground.mark_names) == len(ground.marks_px)
    if not known or not ground.marks_px or not rows:
        return tables.empty(MARKS)
    corners = ground.to_ground(np.array(ground.marks_px, float).reshape(-1, 2))
    names = np.repeat(np.array(ground.mark_names, object), 4)
    boards = [board_label(int(name)) if built_in else "" for name in names]
    marks = pd.DataFrame(
        {
            "photo": photo,
            "plot": plot,
            "row": np.repeat(np.arange(1, len(rows) + 1), len(corners)),
            "board": boards * len(rows),
            "marker": np.tile(names, len(rows)),
            "corner": np.tile(np.arange(4), len(ground.marks_px) * len(rows)),
            "position_cm": np.concatenate([row.position(corners) - row.from_cm for row in rows]),
            "offset_cm": np.concatenate([row.offset(corners) for row in rows]),
        }
    )
    return tables.conform(MARKS, marks)


FAR_ERROR_PCT = 3.0
"""Expected scale error at the far end of a row from which the row is flagged: an even stand's CV is read about this
much wrong before anyone would act on it (chosen by us). [%]"""


def _far(ends_cm: np.ndarray, ground: GroundMap) -> bool:
    if ground.mark_px is None or not np.isfinite(ground.scale_error_pct_per_m):
        return False
    mark = ground.to_ground(np.array([ground.mark_px]))[0]
    reach_m = np.linalg.norm(ends_cm - mark, axis=1).max() / 100
    return bool(reach_m * ground.scale_error_pct_per_m > FAR_ERROR_PCT)
