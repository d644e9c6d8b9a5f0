"""Plots of a strip: named polygons on the map, none on top of another; all that is wrong told in one message."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from standcam import tables
from standcam.errors import PlotMapMismatch
from standcam.geojson import cell_text
from standcam.settings import PlotSettings
from standcam.stand.plotmap import column_name

if TYPE_CHECKING:
    from shapely import Geometry

DESIGN = ("plot", "treatment", "block")
_NAMES = ("plot", "plot_name", "plotname", "plotid", "name", "label", "number", "no", "nr", "id", "fid")
_TREATMENTS = ("treatment", "variety", "hybrid", "cultivar", "entry")
_BLOCKS = ("block",)
_MENDED_PCT = 1.0  # an outline that crosses itself is mended where that changes its area by less
_LEAST_M2 = 0.01
_TOUCH_M2 = 1e-4  # neighbours computed to the last digit overlap by less
_MOST_TOLD = 12
_TAKEN = {name for table in tables.ALL for name in table.names} | {
    "easting_m",
    "northing_m",
    "strip_row",
    "fid",
    "geom",
}


@dataclass(frozen=True)
class Plots:
    """Plots of one strip."""

    names: tuple[str, ...]
    polygons: tuple[Geometry, ...]
    """Polygon or MultiPolygon each; none overlaps another. Map coordinates. [m]"""
    cells: pd.DataFrame
    """One line a plot: plot, treatment and block as text ("" where nothing is told), further attributes behind."""
    crs_wkt: str = ""
    """Of the polygons; empty: a local frame."""
    whole: bool = False
    """The strip as one plot: rows are not cut."""
    notes: tuple[str, ...] = ()
    """In sentences: what was guessed, mended or cut."""
    problems: pd.DataFrame = field(default_factory=lambda: tables.empty(tables.PROBLEMS))
    """PROBLEMS: plots outside of the image."""


def read_plots(
    path: str | Path, crs_wkt: str = "", settings: PlotSettings | None = None, extent: object = None
) -> Plots:
    """Plots from a GeoJSON file (RFC 7946), GeoPackage (OGC 12-128) or shapefile, in the CRS of the strip.

    Parameters
    ----------
    path : path
    crs_wkt : str
        CRS of the strip, in metres; empty: a local frame.
    settings : PlotSettings, optional
    extent : polygon or (west, south, east, north), optional
        What the image shows, on the map. [m]

    Raises
    ------
    PlotMapMismatch
        The file cannot be used; all that is wrong with its outlines in one message.
    """
    from standcam.strips.plot_files import read_plot_file

    settings = settings or PlotSettings()
    path = Path(path)
    file = read_plot_file(path, settings.layer)
    notes: list[str] = []
    if not len(file.geometries):
        raise PlotMapMismatch(f"Plot outlines {path} hold no feature.", "Is it the right file and layer?")
    cells = _cells(path, file.properties, len(file.geometries), settings, notes)
    geometries = _to_strip(path, file.geometries, file.crs, crs_wkt, notes)
    return make_plots(geometries, cells, crs_wkt, settings, extent, f"Plot outlines {path}", path, notes)


def whole_strip(name: str, extent: object = None, crs_wkt: str = "") -> Plots:
    """The whole strip as one plot, named after its file.

    Parameters
    ----------
    name : str
    extent : polygon or (west, south, east, north), optional
        What the image shows. [m]
    crs_wkt : str
    """
    polygons = () if extent is None else (_extent(extent),)
    cells = pd.DataFrame({"plot": [name], "treatment": [""], "block": [""]}).astype("str")
    return Plots((name,), polygons, cells, crs_wkt, whole=True)


def make_plots(
    geometries: Sequence[Geometry | None] | np.ndarray,
    cells: pd.DataFrame,
    crs_wkt: str,
    settings: PlotSettings,
    extent: object,
    what: str,
    path: str | Path,
    notes: Sequence[str] = (),
) -> Plots:
    """Plots of polygons in the strip's CRS, looked over.

    Parameters
    ----------
    geometries : sequence of shapely geometries or None
    cells : DataFrame
        A line each, with plot, treatment and block.
    crs_wkt : str
    settings : PlotSettings
    extent : polygon or (west, south, east, north), optional
    what : str
        What they come from, at the beginning of a sentence.
    path : path
        The same, for problems.csv.
    notes : sequence of str
        Said before.

    Raises
    ------
    PlotMapMismatch
        All that is wrong, in one message.
    """
    notes = list(notes)
    names = cells["plot"].tolist()
    wrong = [f"outline {k} has no name" for k, name in enumerate(names, 1) if not name]
    seen: dict[str, int] = {}
    for k, name in enumerate(names, 1):
        key = unicodedata.normalize("NFC", name)
        if name and key in seen:
            wrong.append(f"outlines {seen[key]} and {k} are both named {name}")
        seen.setdefault(key, k)
    said = [name or f"outline {k}" for k, name in enumerate(names, 1)]
    polygons = [_sound(g, name, wrong, notes) for g, name in zip(geometries, said, strict=True)]
    polygons = _parted(polygons, said, settings.overlap_pct, wrong, notes)
    if wrong:
        more = f"; and {len(wrong) - _MOST_TOLD} more" if len(wrong) > _MOST_TOLD else ""
        raise PlotMapMismatch(f"{what}: " + "; ".join(wrong[:_MOST_TOLD]) + more + ".", "Mend the outlines.")
    keep = np.ones(len(names), bool)
    problems = tables.empty(tables.PROBLEMS)
    if extent is not None:
        keep, problems = _within(polygons, names, _extent(extent), what, path, notes)
    kept = np.flatnonzero(keep).tolist()
    return Plots(
        tuple(names[k] for k in kept),
        tuple(polygons[k] for k in kept),
        cells.iloc[kept].reset_index(drop=True),
        crs_wkt,
        notes=tuple(notes),
        problems=problems,
    )


# ---- names and treatments


def _cells(
    path: Path, properties: dict[str, list[Any]], n: int, settings: PlotSettings, notes: list[str]
) -> pd.DataFrame:
    texts = {name: [cell_text(value) for value in values] for name, values in properties.items()}
    wrong = [
        f"no attribute {wanted!r} (plots.{kind}_column)"
        for kind, wanted in (
            ("name", settings.name_column), ("treatment", settings.treatment_column), ("block", settings.block_column)
        )
        if wanted is not None and wanted not in texts
    ]  # fmt: skip
    if wrong:
        known = ", ".join(list(texts)[:40]) or "none"
        raise PlotMapMismatch(f"Plot outlines {path} have {' and '.join(wrong)}.", f"Their attributes are: {known}.")
    named = settings.name_column or _guess_name(texts)
    treatment = settings.treatment_column or _guess(texts, _TREATMENTS, (named,))
    block = settings.block_column or _guess(texts, _BLOCKS, (named, treatment))
    told = []
    if settings.name_column is None:
        told.append(f"names from {named!r}" if named else "numbers in their order for names, as no attribute fits")
    if settings.treatment_column is None and treatment:
        told.append(f"treatments from {treatment!r}")
    if settings.block_column is None and block:
        told.append(f"blocks from {block!r}")
    if told:
        notes.append(f"Plots of {path.name} take {', '.join(told)}.")
    columns: dict[str, Any] = {
        "plot": texts[named] if named else [str(k) for k in range(1, n + 1)],
        "treatment": texts[treatment] if treatment else [""] * n,
        "block": texts[block] if block else [""] * n,
    }
    for name in texts:
        if name not in (named, treatment, block):
            own = "_".join(name.split()) or "unnamed"
            # databases of a GIS know no difference of upper and lower case
            while own.lower() in _TAKEN or own.lower() in {c.lower() for c in columns}:
                own = f"outline_{own}"
            columns[own] = _column(texts[name])
    frame = pd.DataFrame(columns)
    return frame.astype(dict.fromkeys(DESIGN, "str"))


def _column(texts: list[str]) -> pd.Series:
    """Numbers where all of a column are."""
    series = pd.Series(texts, dtype="str")
    numbers = pd.to_numeric(series.replace("", np.nan), errors="coerce")
    leading_zero = series.str.fullmatch(r"[+-]?0\d.*").any()
    return series if leading_zero or (numbers.isna() & (series != "")).any() else numbers


def _guess_name(texts: dict[str, list[str]]) -> str | None:
    usual = _guess(texts, ("plot",))
    if usual is not None:
        return usual
    apart = {name: values for name, values in texts.items() if all(values) and len(set(values)) == len(values)}
    return _guess(apart, _NAMES) or next(iter(apart), None)


def _guess(texts: dict[str, list[str]], usual: Sequence[str], but: Sequence[str | None] = ()) -> str | None:
    known: dict[str, str] = {}
    for name in texts:
        if name not in but and any(texts[name]):
            known.setdefault(column_name(name), name)
    return next((known[name] for name in usual if name in known), None)


# ---- places


def _to_strip(path: Path, geometries: np.ndarray, source: str, target: str, notes: list[str]) -> np.ndarray:
    """Geometries in the CRS of the strip."""
    import shapely

    geometries = shapely.force_2d(geometries)
    if not source:
        told = "Their coordinates are taken for those of the image." if target else ""
        notes.append(f"{path.name} does not say in which CRS its outlines are. {told}".rstrip())
        return geometries
    if not target:
        raise PlotMapMismatch(
            f"Plot outlines {path} have a CRS and the image has none, so that nothing ties them.",
            "Give the image its CRS in a GIS, or give the plots as a grid.",
        )
    import pyproj
    from pyproj.exceptions import CRSError

    try:
        crs = pyproj.CRS.from_user_input(source)
    except CRSError:
        raise PlotMapMismatch(
            f"Plot outlines {path} are in a CRS that is not known: {source[:80]!r}.", "Save them in WGS 84."
        ) from None
    wanted = pyproj.CRS.from_user_input(target)
    if crs == wanted:
        return geometries
    change = pyproj.Transformer.from_crs(crs, wanted, always_xy=True)
    with np.errstate(invalid="ignore"):
        moved = shapely.transform(geometries, lambda xy: np.column_stack(change.transform(xy[:, 0], xy[:, 1])))
    if change.accuracy > 0.5:
        notes.append(
            f"Between the CRS of {path.name} and that of the image plots may be off by up to {change.accuracy:g} m, as "
            "the change of datum is known no better. Save the outlines in the CRS of the image."
        )
    elif change.accuracy < 0:
        notes.append(f"How well the CRS of {path.name} and that of the image agree is not known: look at the map.")
    return moved


def _sound(geometry: Geometry | None, name: str, wrong: list[str], notes: list[str]) -> Geometry | None:
    """A valid polygon, or None and a word on why not."""
    import shapely

    if geometry is None or shapely.get_type_id(geometry) not in (3, 6):  # Polygon, MultiPolygon
        kind = "no polygon" if geometry is None else f"a {geometry.geom_type} and no polygon"
        wrong.append(f"{name} is {kind}")
        return None
    if shapely.is_empty(geometry):
        wrong.append(f"{name} is an empty polygon")
        return None
    if not np.isfinite(shapely.get_coordinates(geometry)).all():
        wrong.append(f"{name} has corners that lie nowhere in the CRS of the image")
        return None
    if not shapely.is_valid(geometry):
        reason = shapely.is_valid_reason(geometry)
        before = shapely.area(geometry)
        geometry = _areal(shapely.make_valid(geometry))
        if not abs(shapely.area(geometry) - before) <= _MENDED_PCT / 100 * max(before, _LEAST_M2):
            wrong.append(f"the outline of {name} crosses itself ({reason})")
            return None
        notes.append(f"The outline of plot {name} was mended ({reason}).")
    if shapely.area(geometry) < _LEAST_M2:
        wrong.append(f"{name} has no area")
        return None
    return geometry


def _areal(geometry: Geometry) -> Geometry:
    """Polygons of a mixture; edges and points left out."""
    import shapely

    flat = [p for part in shapely.get_parts(geometry) for p in shapely.get_parts(part) if shapely.get_type_id(p) == 3]
    return flat[0] if len(flat) == 1 else shapely.MultiPolygon(flat)


def _parted(
    polygons: list[Geometry | None], names: list[str], most_pct: float, wrong: list[str], notes: list[str]
) -> list[Geometry | None]:
    """Polygons without overlap; larger overlaps are told of as wrong."""
    import shapely

    there = [k for k, polygon in enumerate(polygons) if polygon is not None]
    if len(there) < 2:
        return polygons
    shapes = np.array([polygons[k] for k in there], object)
    first, second = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    once = first < second
    first, second = first[once], second[once]
    shared = shapely.area(shapely.intersection(shapes[first], shapes[second]))
    smaller = np.minimum(shapely.area(shapes[first]), shapely.area(shapes[second]))
    parted = []
    for k in np.lexsort((second, first)).tolist():
        if shared[k] <= _TOUCH_M2:
            continue
        a, b = int(first[k]), int(second[k])
        pct = 100 * shared[k] / smaller[k]
        both = f"{names[there[a]]} and {names[there[b]]}"
        if pct > most_pct:
            wrong.append(f"plots {both} overlap by {shared[k]:.3g} m², {pct:.0f} % of the smaller")
            continue
        shapes[b] = _areal(shapely.difference(shapes[b], shapes[a]))
        parted.append(f"{both} ({shared[k]:.2g} m²)")
    if parted:
        more = f" and {len(parted) - 5} more" if len(parted) > 5 else ""
        notes.append(f"Outlines overlap a little, and the first keeps the ground: {', '.join(parted[:5])}{more}.")
    out = list(polygons)
    for k, shape in zip(there, shapes, strict=True):
        out[k] = shape
    return out


def _extent(extent: object) -> Geometry:
    import shapely

    return shapely.box(*extent) if isinstance(extent, tuple | list) else extent  # type: ignore[return-value]


def _within(
    polygons: list[Geometry | None], names: list[str], extent: Geometry, what: str, path: str | Path, notes: list[str]
) -> tuple[np.ndarray, pd.DataFrame]:
    """Which plots the image shows; PROBLEMS for those it does not."""
    import shapely

    shapes = np.array(polygons, object)
    share = shapely.area(shapely.intersection(shapes, extent)) / shapely.area(shapes)
    seen = share > 1e-9
    if not seen.any():
        far = shapely.distance(shapes, extent)
        nearest = int(np.argmin(far))
        raise PlotMapMismatch(
            f"{what}: none of {len(names)} plots lies in the image; the nearest, {names[nearest]}, is "
            f"{_metres(far[nearest])} away.",
            "Is it the right field, and the right CRS?",
        )
    cut = [names[k] for k in np.flatnonzero(seen & (share < 0.999)).tolist()]
    if cut:
        told = ", ".join(cut[:8]) + (f" and {len(cut) - 8} more" if len(cut) > 8 else "")
        notes.append(f"The edge of the image cuts {len(cut)} of {len(names)} plots: {told}.")
    lost = [names[k] for k in np.flatnonzero(~seen).tolist()]
    problems = tables.empty(tables.PROBLEMS)
    if lost:
        told = ", ".join(lost[:_MOST_TOLD]) + (f" and {len(lost) - _MOST_TOLD} more" if len(lost) > _MOST_TOLD else "")
        line = {
            "path": [str(path)],
            "reason": [f"{len(lost)} of {len(names)} plots lie outside of the image: {told}."],
            "remedy": ["Count them in the image that shows them, or take them out of the file."],
        }
        problems = tables.conform(tables.PROBLEMS, pd.DataFrame(line))
    return seen, problems


def _metres(value: float) -> str:
    return f"{value / 1000:,.0f} km" if value >= 10_000 else f"{value:.0f} m"
