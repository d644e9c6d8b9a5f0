"""Outlines from GeoJSON (RFC 7946), read whole and bounded; for plots of a survey and of a drone strip."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from standcam.errors import PlotMapMismatch
from standcam.files import read_file

MOST_BYTES = 50_000_000
"""Of a file of outlines: some million corners, or 20,000 plots with many properties. [B]"""
Rings = tuple[np.ndarray, ...]
"""One polygon: its outer ring and its holes, each closed. (n, 2)"""


@dataclass(frozen=True)
class Outline:
    """One feature."""

    number: int
    """In the file, from 1."""
    properties: dict[str, Any]
    polygons: tuple[Rings, ...]
    """Empty where the feature is no polygon. Longitude and latitude unless the file says otherwise."""


@dataclass(frozen=True)
class Outlines:
    """What a file of outlines holds."""

    features: tuple[Outline, ...]
    crs: str
    """Name of the CRS that the file itself states, as GeoJSON had it before RFC 7946; empty: longitude and latitude."""


def read_outlines(path: str | Path) -> Outlines:
    """Features of a GeoJSON file.

    Raises
    ------
    PlotMapMismatch
        The file cannot be read, is too large, or is no GeoJSON feature collection.
    """
    path = Path(path)
    try:
        data = json.loads(read_file(path, MOST_BYTES).decode("utf-8-sig"))
    except OSError as error:
        reason = error.strerror or error
        raise PlotMapMismatch(f"Plot outlines {path} cannot be read: {reason}.", "Check the path.") from None
    except (ValueError, RecursionError) as error:
        raise PlotMapMismatch(f"Plot outlines {path} cannot be read: {error}.", "Save them as GeoJSON.") from None
    features = data.get("features") if isinstance(data, dict) else None
    if not isinstance(features, list):
        raise PlotMapMismatch(f"Plot outlines {path} are no GeoJSON feature collection.", "Save them as GeoJSON.")
    return Outlines(tuple(_outline(n, feature) for n, feature in enumerate(features, 1)), _stated_crs(data))


def _outline(number: int, feature: Any) -> Outline:
    properties = feature.get("properties") if isinstance(feature, dict) else None
    properties = properties if isinstance(properties, dict) else {}
    try:
        return Outline(number, properties, _polygons(feature["geometry"]))
    except (TypeError, KeyError, AttributeError, ValueError, IndexError, OverflowError):
        return Outline(number, properties, ())


def _polygons(geometry: dict[str, Any]) -> tuple[Rings, ...]:
    kind, coordinates = geometry["type"], geometry["coordinates"]
    if kind not in ("Polygon", "MultiPolygon") or not coordinates:
        raise ValueError(kind)
    out = []
    for rings in coordinates if kind == "MultiPolygon" else [coordinates]:
        arrays = tuple(np.array([[float(p[0]), float(p[1])] for p in ring]) for ring in rings)
        if not arrays or any(len(ring) < 4 for ring in arrays):  # closed: the first point comes again
            raise ValueError("ring")
        out.append(arrays)
    return tuple(out)


def _stated_crs(data: dict[str, Any]) -> str:
    crs = data.get("crs")
    try:
        name = crs["properties"]["name"]  # type: ignore[index]
    except (TypeError, KeyError):
        return ""
    return name if isinstance(name, str) and len(name) < 10_000 else ""


def cell_text(value: object) -> str:
    """A property as people would type it: whole numbers without a point, nothing for nothing."""
    if value is None or (isinstance(value, float) and value != value):
        return ""
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    return str(value).strip()
