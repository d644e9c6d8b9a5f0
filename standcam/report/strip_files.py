"""What the results of a strip hold beside the tables: map layers, a map to look at, zone maps."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from standcam.batch.strip_count import StripCount
from standcam.report.map_layers import Layer, strip_layers

if TYPE_CHECKING:
    from standcam.images.raster import Raster
    from standcam.images.raster_read import Overview

_MAP_PX, _MOST_PX = 2400, 400_000_000
"""Longer side of the picture under the map, and mosaics without overviews that are read once more for it. [px]"""


def strip_files(
    counted: StripCount, raster: Raster | None = None, geojson: bool = False
) -> tuple[dict[str, bytes | str], list[str]]:
    """Files by name, and in sentences what could not be made: numbers are worth more than their maps.

    Parameters
    ----------
    counted : StripCount
    raster : Raster, optional
        The mosaic, to lie under the map.
    geojson : bool
        Write the layers as GeoJSON too.
    """
    layers = strip_layers(counted.cut, counted.summary, counted.plots, counted.settings.maps)
    wkt = counted.measurement.site.crs_wkt
    makers: list[Callable[[], Mapping[str, bytes | str]]] = [
        lambda: _geopackage(layers, wkt),
        lambda: _picture(counted, raster, layers),
        lambda: _zones(counted, wkt),
    ]
    if geojson:
        makers.append(lambda: _geojson(layers, wkt))
    files: dict[str, bytes | str] = {}
    notes = []
    for make in makers:
        try:
            files |= make()
        except Exception as error:  # a fault of ours in a map must not cost the counts
            first = (str(error).strip().splitlines() or [""])[0]
            notes.append(f"A map could not be made: {type(error).__name__}: {first}".rstrip(": ") + ".")
    return files, notes


def _geopackage(layers: Mapping[str, Layer], wkt: str) -> dict[str, bytes | str]:
    from standcam.report.geopackage import GEOPACKAGE, geopackage_bytes

    return {GEOPACKAGE: geopackage_bytes(layers, wkt)}


def _geojson(layers: Mapping[str, Layer], wkt: str) -> dict[str, bytes | str]:
    from standcam.report.geopackage import geojson_texts

    return dict(geojson_texts(layers, wkt))


def _zones(counted: StripCount, wkt: str) -> dict[str, bytes | str]:
    from standcam.report.zone_map import zone_files, zone_map

    settings = counted.settings
    if not len(counted.cut.plants):
        return {}
    zones = zone_map(counted.cut, counted.summary.gaps, settings.spacing.row_width_cm, settings.maps)
    return dict(zone_files(zones, wkt))


def _picture(counted: StripCount, raster: Raster | None, layers: Mapping[str, Layer]) -> dict[str, bytes | str]:
    from standcam.report.chart import png
    from standcam.report.strip_map import STRIP_MAP, strip_map

    settings, site = counted.settings, counted.measurement.site
    small = None if raster is None else _small(raster)
    figure = strip_map(
        layers,
        settings.maps.gap_cm,
        None if small is None else small.rgb,
        site.bounds_m,
        None if small is None else small.valid,
        title=site.name,
        system=settings.output.units,
    )
    return {STRIP_MAP: png(figure)}


def _small(raster: Raster) -> Overview | None:
    """All of a mosaic in a small picture, where that is cheap to have and north is up."""
    from standcam.images.raster_read import read_overview

    # without overviews a small picture takes reading all of the file once more
    cheap = raster.has_overviews or raster.width_px * raster.height_px < _MOST_PX
    return read_overview(raster, _MAP_PX) if cheap and raster.transform[1] == raster.transform[3] == 0 else None
