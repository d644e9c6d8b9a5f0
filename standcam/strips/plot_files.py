"""Outlines of plots from files of a GIS, each read whole, by the driver that its content asks for and no other.

GDAL guesses a driver by content, and some of its drivers open other files and addresses that a file names. So a file
must be what its ending says; it is copied, bounded, into a folder of our own under a plain name, and opened there.
"""

from __future__ import annotations

import tempfile
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from standcam.errors import PlotMapMismatch
from standcam.files import read_file
from standcam.geojson import read_outlines

MOST_BYTES = 500_000_000
MOST_PLOTS = 100_000
MOST_COLUMNS = 200
ENDINGS = (".geojson", ".json", ".gpkg", ".shp")
_SQLITE = b"SQLite format 3\0"  # SQLite file format, 1.2 "Magic Header String"
_SHP = (9994).to_bytes(4, "big")  # file code of the main file, ESRI Shapefile Technical Description (1998), p. 4
_SHAPEFILE = (".shx", ".dbf", ".prj", ".cpg")
_KNOWN_CRS = "OGC:CRS84"  # longitude, latitude on WGS 84, as RFC 7946 section 4 wants it


@dataclass(frozen=True)
class PlotFile:
    """What a file tells."""

    geometries: np.ndarray
    """shapely geometries in the file's CRS; None where a feature has none that can be read. (n,)"""
    properties: dict[str, list[Any]]
    """Attribute to its values."""
    crs: str
    """WKT or a code; empty where the file does not tell."""


def read_plot_file(path: str | Path, layer: str | None = None) -> PlotFile:
    """Features of a GeoJSON file, GeoPackage or shapefile.

    Parameters
    ----------
    path : path
    layer : str, optional
        Of a GeoPackage; needed where it has several of polygons.

    Raises
    ------
    PlotMapMismatch
        The file cannot be read, is too large, or is not what its ending says.
    """
    path = Path(path)
    ending = path.suffix.lower()
    if ending not in ENDINGS:
        raise PlotMapMismatch(
            f"Plot outlines {path} have "
            + (f"the ending {ending!r}." if ending else "no ending that tells their kind."),
            "Give a GeoJSON file (.geojson), a GeoPackage (.gpkg) or a shapefile (.shp).",
        )
    if ending in (".geojson", ".json"):
        return _geojson(path)
    with tempfile.TemporaryDirectory(prefix="standcam-") as folder:
        if ending == ".gpkg":
            return _through_gdal(path, _copy_geopackage(path, Path(folder)), layer)
        return _through_gdal(path, _copy_shapefile(path, Path(folder)), None)


def _geojson(path: Path) -> PlotFile:
    import shapely

    outlines = read_outlines(path)
    if len(outlines.features) > MOST_PLOTS:
        raise _too_many(path, len(outlines.features))
    geometries = np.full(len(outlines.features), None, object)
    for k, feature in enumerate(outlines.features):
        parts = [shapely.Polygon(rings[0], rings[1:]) for rings in feature.polygons]
        if parts:
            geometries[k] = parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)
    names = list(dict.fromkeys(name for feature in outlines.features for name in feature.properties))
    properties = {str(n): [feature.properties.get(n) for feature in outlines.features] for n in names[:MOST_COLUMNS]}
    return PlotFile(geometries, properties, outlines.crs or _KNOWN_CRS)


def _copy_geopackage(path: Path, folder: Path) -> Path:
    data = _bytes(path)
    if not data.startswith(_SQLITE):
        raise PlotMapMismatch(f"Plot outlines {path} are no GeoPackage.", "Export them anew from the GIS.")
    copy = folder / "plots.gpkg"
    copy.write_bytes(data)
    # a GIS that has the file open keeps what was saved last in a file beside it
    beside = path.with_name(path.name + "-wal")
    if beside.exists():
        (folder / "plots.gpkg-wal").write_bytes(_bytes(beside))
    return copy


def _copy_shapefile(path: Path, folder: Path) -> Path:
    data = _bytes(path)
    if not data.startswith(_SHP):
        raise PlotMapMismatch(f"Plot outlines {path} are no shapefile.", "Export them anew from the GIS.")
    (folder / "plots.shp").write_bytes(data)
    there = {other.suffix.lower(): other for other in path.parent.glob(f"{_literal(path.stem)}.*")}
    lacking = [ending for ending in (".shx", ".dbf") if ending not in there]
    if lacking:
        raise PlotMapMismatch(
            f"Beside {path} the {' and '.join(lacking)} of the shapefile is missing.",
            "A shapefile is several files of one name: bring all of them, or save the outlines as GeoPackage.",
        )
    for ending in _SHAPEFILE:
        if ending in there:
            (folder / f"plots{ending}").write_bytes(_bytes(there[ending]))
    return folder / "plots.shp"


def _literal(text: str) -> str:
    import glob

    return glob.escape(text)


def _bytes(path: Path) -> bytes:
    try:
        return read_file(path, MOST_BYTES)
    except OSError as error:
        raise PlotMapMismatch(
            f"Plot outlines {path} cannot be read: {error.strerror or error}.", "Check the path and the rights."
        ) from None


def _through_gdal(path: Path, copy: Path, layer: str | None) -> PlotFile:
    import shapely
    from pyogrio import errors, list_layers, raw, read_info

    damaged = (errors.DataSourceError, errors.DataLayerError, errors.FeatureError, errors.GeometryError, ValueError)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of GDAL, on oddities that do not matter for outlines
            name = _layer(path, list_layers(copy), layer) if copy.suffix == ".gpkg" else None
            info = read_info(copy, layer=name, force_feature_count=True)
            if info["features"] > MOST_PLOTS:
                raise _too_many(path, info["features"])
            columns = list(info["fields"])[:MOST_COLUMNS]
            meta, _, wkb, values = raw.read(copy, layer=name, columns=columns, force_2d=True, datetime_as_string=True)
    except damaged as error:
        said = str(error).replace(str(copy), path.name).replace(str(copy.parent), str(path.parent))
        raise PlotMapMismatch(f"Plot outlines {path} cannot be read: {said}.", "Export them anew.") from None
    if wkb is None:
        raise PlotMapMismatch(f"Plot outlines {path}: the layer holds no outlines.", "Name another with plots.layer.")
    geometries = shapely.from_wkb(wkb, on_invalid="ignore")
    properties = {str(n): _plain(v) for n, v in zip(meta["fields"], values, strict=True)}
    return PlotFile(np.asarray(geometries, object), properties, meta["crs"] or "")


def _plain(values: np.ndarray) -> list[Any]:
    return [None if value is None else value for value in np.asarray(values).tolist()]


def _layer(path: Path, layers: np.ndarray, wanted: str | None) -> str:
    names = [str(name) for name, _ in layers]
    if wanted is not None:
        if wanted not in names:
            raise PlotMapMismatch(f"Plot outlines {path} have no layer {wanted!r}.", f"Its layers are: {_some(names)}.")
        return wanted
    fit = [str(name) for name, kind in layers if "Polygon" in str(kind) or str(kind).startswith("Unknown")]
    if len(fit) != 1:
        told = f"several layers of polygons: {_some(fit)}" if fit else f"no layer of polygons, but {_some(names)}"
        raise PlotMapMismatch(f"Plot outlines {path} have {told}.", "Name one with plots.layer in the survey file.")
    return fit[0]


def _some(names: Sequence[str], most: int = 12) -> str:
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "") or "none at all"


def _too_many(path: Path, n: int) -> PlotMapMismatch:
    return PlotMapMismatch(
        f"Plot outlines {path} have {n} features; more than {MOST_PLOTS} are not taken for plots.",
        "Is it the right file?",
    )
