"""Looks of the zone maps, as the QML file that a GIS looks for beside a raster of the same name.

Without one it draws cells from black to white, the best as white as the paper and as cells of which nothing is known.
"""

from __future__ import annotations

import math
from html import escape
from pathlib import PurePath

import numpy as np

from standcam.report.map_styles import Rgb
from standcam.report.zone_map import CV, POPULATION, ZoneMap

_PALE: Rgb = (250, 232, 176)
_DARK: dict[str, Rgb] = {POPULATION: (0, 58, 112), CV: (122, 40, 0)}
"""From pale to dark, so that brightness alone tells more from less, to every eye and in print."""
_CLASSES = 6
_LEAST_SHARE = 0.2
"""Colours go over at least this share of the mean population, or what chance makes would look like a pattern: cells of
one population differ by some percent (25 m² with 33 m of row). No source; wrong for cells of much less row. [1]"""
_LEAST_CV_PCT = 20.0
"""The same for CV: that of 30 gaps is known to about a quarter of itself either way. [%]"""


def zone_looks(zones: ZoneMap) -> dict[str, str]:
    """QML by file name, for those maps that hold a number.

    Parameters
    ----------
    zones : ZoneMap
    """
    out = {}
    for name, values in ((POPULATION, zones.population), (CV, zones.cv_pct)):
        known = values[np.isfinite(values)]
        if not known.size:
            continue
        least = _LEAST_SHARE * float(known.mean()) if name == POPULATION else _LEAST_CV_PCT
        bounds = class_bounds(float(known.min()), float(known.max()), least)
        out[str(PurePath(name).with_suffix(".qml"))] = _qml(bounds, _DARK[name], "/ha" if name == POPULATION else " %")
    return out


def class_bounds(low: float, high: float, least: float) -> list[float]:
    """Round bounds of some six classes over all values, and over at least so much; none below 0.

    Parameters
    ----------
    low, high, least : float
        Values not below 0, and how far colours reach at least. In the map's unit.
    """
    short = max(0.0, least - (high - low)) / 2
    low, high = max(0.0, low - short), high + short
    rough = max((high - low) / _CLASSES, 1e-6)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(f * power for f in (1, 2, 5, 10) if f * power >= rough * 0.999)
    first = math.floor(low / step)
    last = max(math.ceil(high / step), first + 1)
    return [k * step for k in range(first, last + 1)]


def _qml(bounds: list[float], dark: Rgb, unit: str) -> str:
    n = len(bounds) - 1
    items = []
    for k in range(n):
        share = k / max(1, n - 1)
        colour = "".join(f"{round(p + (d - p) * share):02x}" for p, d in zip(_PALE, dark, strict=True))
        # a class holds its upper bound
        upper = "inf" if k == n - 1 else f"{bounds[k + 1]:.10g}"
        label = escape(f"{bounds[k]:,.10g} to {bounds[k + 1]:,.10g}{unit}")
        items.append(f'<item alpha="255" color="#{colour}" label="{label}" value="{upper}"/>\n')
    return (
        "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
        '<qgis version="3.22.0" styleCategories="Symbology">\n<pipe>\n'
        '<rasterrenderer type="singlebandpseudocolor" band="1" alphaBand="-1" opacity="1" nodataColor="" '
        f'classificationMin="{bounds[0]:.10g}" classificationMax="{bounds[-1]:.10g}">\n<rasterTransparency/>\n'
        "<minMaxOrigin><limits>None</limits><extent>WholeRaster</extent></minMaxOrigin>\n"
        '<rastershader>\n<colorrampshader colorRampType="DISCRETE" classificationMode="1" clip="0" '
        f'minimumValue="{bounds[0]:.10g}" maximumValue="{bounds[-1]:.10g}">\n{"".join(items)}'
        "</colorrampshader>\n</rastershader>\n</rasterrenderer>\n</pipe>\n</qgis>\n"
    )
