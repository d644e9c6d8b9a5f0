"""Map layers as files: one GeoPackage (OGC 12-128) with looks, written whole; GeoJSON (RFC 7946) on request."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import tempfile
import threading
import warnings
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from standcam.errors import MissingCRS, UnwritableResults
from standcam.files import umask
from standcam.report.map_layers import Layer
from standcam.report.map_styles import styles

GEOPACKAGE = "strip.gpkg"
_WHEN = "1970-01-01T00:00:00.000Z"
"""Time that stands in a GeoPackage: none, so that equal results are equal bytes; run.json tells the time."""
_CARTESIAN = "-1"  # gpkg_spatial_ref_sys, requirement 11: undefined Cartesian
_VERSION = "1.2"  # what follows adds nothing we write, and GDAL before 3.7 warns of it
_GDAL = threading.Lock()  # its settings are the process's


def write_geopackage(path: str | Path, layers: Mapping[str, Layer], crs_wkt: str = "") -> Path:
    """Write a GeoPackage: under a name of its own beside ``path``, renamed when it is whole.

    Equal layers give equal bytes under one version of GDAL.

    Parameters
    ----------
    path : path
        Replaced if it is there.
    layers : mapping
        From :func:`standcam.report.map_layers.strip_layers`.
    crs_wkt : str
        Empty: a local frame, undefined Cartesian.

    Raises
    ------
    UnwritableResults
        Disk full or no rights; what was there before is still there.
    """
    path = Path(path)
    try:
        with tempfile.TemporaryDirectory(prefix=".standcam-", dir=path.parent) as folder:
            made = _made(Path(folder), layers, crs_wkt)
            made.chmod(0o666 & ~umask())
            os.replace(made, path)
    except OSError as error:
        raise _unwritable(path, error) from None
    return path


def geopackage_bytes(layers: Mapping[str, Layer], crs_wkt: str = "") -> bytes:
    """The same in memory, for results that are put in place together."""
    with tempfile.TemporaryDirectory(prefix="standcam-") as folder:
        return _made(Path(folder), layers, crs_wkt).read_bytes()


def geojson_texts(layers: Mapping[str, Layer], crs_wkt: str) -> dict[str, str]:
    """GeoJSON of each layer by file name, in longitude and latitude (WGS 84) to some 0.1 mm as RFC 7946 wants it.

    Raises
    ------
    MissingCRS
        Nothing tells the strip's longitude and latitude.
    """
    if not crs_wkt:
        raise MissingCRS(
            "GeoJSON is in longitude and latitude, and the image has no CRS.", "Take the GeoPackage, or give it a CRS."
        )
    out = {}
    options = {"RFC7946": "YES", "COORDINATE_PRECISION": "9", "WRITE_NAME": "NO"}
    with tempfile.TemporaryDirectory(prefix="standcam-") as folder:
        for name, layer in layers.items():
            path = Path(folder) / f"{name}.geojson"
            _write_layer(path, name, layer, crs_wkt, "GeoJSON", options, append=False)
            out[path.name] = path.read_text(encoding="utf-8")
    return out


def _made(folder: Path, layers: Mapping[str, Layer], crs_wkt: str) -> Path:
    from pyogrio.errors import DataSourceError

    path = folder / GEOPACKAGE
    options = {"SPATIAL_INDEX": "YES", "GEOMETRY_NAME": "geom"} | ({} if crs_wkt else {"SRID": _CARTESIAN})
    try:
        with _no_time():
            for k, (name, layer) in enumerate(layers.items()):
                _write_layer(path, name, layer, crs_wkt, "GPKG", options, append=k > 0)
        _add_styles(path, layers)
    except (DataSourceError, sqlite3.OperationalError) as error:  # a full disk, mostly
        raise UnwritableResults(f"{GEOPACKAGE} cannot be written: {error}.", "Check the free space.") from None
    return path


def _write_layer(
    path: Path, name: str, layer: Layer, crs_wkt: str, driver: str, options: Mapping[str, str], append: bool
) -> None:
    import shapely
    from pyogrio import raw

    values, masks = [], []
    for column in layer.table:
        value, mask = _field(layer.table[column])
        values.append(value)
        masks.append(mask)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "'crs' was not provided", UserWarning)
        raw.write(
            path,
            shapely.to_wkb(layer.geometry),
            values,
            np.array([str(column) for column in layer.table], object),
            field_mask=masks,
            layer=name,
            driver=driver,
            geometry_type=layer.kind,
            crs=crs_wkt or None,
            append=append,
            layer_options=dict(options),
            dataset_options={"VERSION": _VERSION} if driver == "GPKG" and not append else {},
        )


def _field(column: pd.Series) -> tuple[np.ndarray, np.ndarray | None]:
    """Values of a column as GDAL takes them, and where there are none."""
    missing = column.isna().to_numpy(bool)
    mask = missing if missing.any() else None
    if pd.api.types.is_bool_dtype(column.dtype):
        return column.fillna(False).to_numpy(bool), mask
    if pd.api.types.is_integer_dtype(column.dtype) or pd.api.types.infer_dtype(column, skipna=True) == "integer":
        return column.fillna(0).to_numpy(np.int64), mask
    if pd.api.types.is_numeric_dtype(column.dtype):
        return column.to_numpy(float), mask
    # names from a disk may hold bytes that are no Unicode
    values = column.tolist()
    sound = {value: _sound(value) for value in {v for v in values if isinstance(v, str)}}  # few, over and over
    text = [
        None if gone else sound[value] if isinstance(value, str) else _sound(value)
        for value, gone in zip(values, missing.tolist(), strict=True)
    ]
    return np.array(text, object), None


def _sound(value: Any) -> str:
    return str(value).encode("utf-8", "backslashreplace").decode("utf-8").replace("\0", "\N{REPLACEMENT CHARACTER}")


def _add_styles(path: Path, layers: Mapping[str, Layer]) -> None:
    """The table in which a GIS looks for the look of a layer."""
    with contextlib.closing(sqlite3.connect(path)) as base, base:
        base.execute(
            "CREATE TABLE layer_styles (id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256), "
            "f_table_schema TEXT(256), f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), "
            "styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30), "
            "update_time DATETIME)"
        )
        base.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change, srs_id) "
            "VALUES ('layer_styles', 'attributes', 'layer_styles', '', ?, 0)",
            (_WHEN,),
        )
        looks = styles()
        base.executemany(
            "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, "
            "styleQML, styleSLD, useAsDefault, description, owner, update_time) "
            "VALUES ('', '', ?, 'geom', ?, ?, '', 1, 'standcam', '', ?)",
            [(name, name, looks[name], _WHEN) for name in layers if name in looks],
        )


@contextlib.contextmanager
def _no_time() -> Iterator[None]:
    import pyogrio

    with _GDAL:
        before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": _WHEN})
        try:
            yield
        finally:
            pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})


def _unwritable(path: Path, error: OSError) -> UnwritableResults:
    return UnwritableResults(
        f"{path} cannot be written: {error.strerror or error}.", "Check the rights and the free space."
    )
