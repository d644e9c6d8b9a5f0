"""What the results of a strip hold beside the tables: map layers, a map to look at, zone maps."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from standcam.batch.strip_count import StripCount
from standcam.report.map_layers import Layer, strip_layers


def strip_files(counted: StripCount, geojson: bool = False) -> tuple[dict[str, bytes | str], list[str]]:
    """Files by name, and in sentences what could not be made: numbers are worth more than their maps.

    Parameters
    ----------
    counted : StripCount
    geojson : bool
        Write the layers as GeoJSON too.
    """
    layers = strip_layers(counted.cut, counted.summary, counted.plots, counted.settings.maps)
    wkt = counted.measurement.site.crs_wkt
    makers: list[Callable[[], Mapping[str, bytes | str]]] = [
        lambda: _geopackage(layers, wkt),
        lambda: _picture(counted, layers),
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
    from standcam.report.zone_styles import zone_looks

    settings = counted.settings
    if not len(counted.cut.plants):
        return {}
    zones = zone_map(counted.cut, counted.summary.gaps, settings.spacing.row_width_cm, settings.maps)
    return {**zone_files(zones, wkt), **zone_looks(zones)}


def _picture(counted: StripCount, layers: Mapping[str, Layer]) -> dict[str, bytes | str]:
    from standcam.report.chart import png
    from standcam.report.strip_map import STRIP_MAP, strip_map

    settings, site = counted.settings, counted.measurement.site
    figure = strip_map(
        layers,
        settings.maps.gap_cm,
        counted.measurement.small,
        site.bounds_m,
        title=site.name,
        system=settings.output.units,
    )
    return {STRIP_MAP: png(figure, level=2)}
