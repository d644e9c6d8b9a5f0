"""Plots by place: outlines (GeoJSON, RFC 7946) and the position that a photo carries."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from standcam.errors import PlotMapMismatch
from standcam.geojson import cell_text, read_outlines
from standcam.survey.names import FIELDS

M_PER_DEGREE = 111_195.0
"""Of a great circle on a sphere of the mean radius of the Earth, 6371.0088 km (IUGG, from memory). True to 0.6 % along
a meridian: 3 cm on the 5 m that matter here. [m]"""


@dataclass(frozen=True)
class PlotArea:
    """One plot's outline."""

    plot: str
    polygons: tuple[tuple[np.ndarray, ...], ...]
    """Polygons, each of an outer ring and its holes; longitude and latitude. (n, 2) [degrees]"""
    cells: dict[str, str] = field(default_factory=dict)
    """What else the outline tells, by the names of plots.csv."""

    def inside_m(self, longitude: float, latitude: float) -> float:
        """Distance to the outline, positive inside. [m]"""
        import cv2

        scale = np.array([M_PER_DEGREE * math.cos(math.radians(latitude)), M_PER_DEGREE])
        best = -math.inf
        for rings in self.polygons:
            # about the point, for OpenCV computes in single precision
            local = [((ring - (longitude, latitude)) * scale).astype(np.float32)[:, None] for ring in rings]
            depths = [cv2.pointPolygonTest(ring, (0.0, 0.0), True) for ring in local]
            best = max(best, min([depths[0], *(-depth for depth in depths[1:])]))
        return best


def read_areas(path: str | Path, name: str = "plot") -> tuple[list[PlotArea], list[str]]:
    """Outlines of a GeoJSON file, and in words what could not be used.

    Parameters
    ----------
    path : path
    name : str
        Property that holds the plot's name.

    Raises
    ------
    PlotMapMismatch
        The file cannot be read, is no GeoJSON, or is not in degrees.
    """
    path = Path(path)
    areas: list[PlotArea] = []
    wrong: list[str] = []
    for outline in read_outlines(path).features:
        number, properties, polygons = outline.number, outline.properties, outline.polygons
        if not polygons:
            wrong.append(f"outline {number} of {path.name} is no polygon")
            continue
        plot = cell_text(properties.get(name))
        if not plot:
            wrong.append(f"outline {number} of {path.name} has no property {name!r} with the plot's name")
            continue
        points = np.concatenate([ring for rings in polygons for ring in rings])
        if not np.isfinite(points).all() or (np.abs(points) > (180.0, 90.0)).any():
            raise PlotMapMismatch(
                f"Plot outlines {path}: {plot} lies at {points[0, 0]:g}, {points[0, 1]:g}, which is no longitude and "
                "latitude.",
                "Save them in degrees (WGS 84), as GeoJSON wants it.",
            )
        if any(area.plot == plot for area in areas):
            wrong.append(f"two outlines of {path.name} are named {plot}; both count as that plot")
        cells = {f: cell_text(properties[f]) for f in FIELDS if f != "plot" and cell_text(properties.get(f))}
        areas.append(PlotArea(plot, polygons, cells))
    return areas, wrong
