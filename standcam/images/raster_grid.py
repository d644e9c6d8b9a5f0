"""The grid that a raster is worked in: square pixels on a plane in metres.

Many mosaics have it already. Degrees, feet, world-wide projections that stretch (Mercator's by a half at 48 degrees of
latitude), oblong or sheared pixels do not; those are drawn anew, piece by piece, onto a grid of the UTM zone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from standcam.errors import BadSettings, MissingCRS, UnreadableRaster
from standcam.settings import RasterSettings

if TYPE_CHECKING:
    import pyproj

Six = tuple[float, float, float, float, float, float]
"""Affine map of corners of pixels: x = a col + b row + c, y = d col + e row + f."""

STRETCH = 0.002
"""Map lengths may differ from ground lengths by this share. UTM's own differ by up to 0.0010 within a zone (Snyder
1987, USGS Professional Paper 1395, chapter 8)."""
OBLONG = 0.01
"""Sides of a pixel may differ by this share, and its angles from the right one as much in radians."""
NODE_PX = 64
"""Steps in which a change of map is worked out exactly; between them it is taken as linear, which over some 20 cm to
5 m it is to well below a thousandth of a pixel. [px]"""
_NO_CRS_REMEDY = (
    "Write the map projection into the file (files beside it, .prj, .tfw or .aux.xml, are not read), or give the "
    "ground length of a pixel with --mm-per-px: results then have places within the picture only."
)


@dataclass(frozen=True)
class Warp:
    """How pixels of the working grid lie in the file's own."""

    source: Six
    """Of the file, pixel corners to its map."""
    grid: Six
    """Of the working grid, pixel corners to metres."""
    from_wkt: str
    """Map of the working grid."""
    to_wkt: str
    """Map of the file; the same where only the pixels had to be made square."""

    def source_px(self, points_px: np.ndarray) -> np.ndarray:
        """Pixels of the file for pixels of the working grid, centres at integers. (n, 2) -> (n, 2)"""
        return self._source_px(np.asarray(points_px, float).reshape(-1, 2))

    def _source_px(self, points: np.ndarray) -> np.ndarray:
        x, y = apply(self.grid, points + 0.5).T
        if self.from_wkt != self.to_wkt:
            x, y = transformer(self.from_wkt, self.to_wkt).transform(x, y)
        return apply(inverse(self.source), np.c_[x, y]) - 0.5

    def source_grid(self, x0: int, y0: int, width: int, height: int) -> tuple[np.ndarray, np.ndarray]:
        """Columns and rows of the file for every pixel of a window, to 1/64 px. (height, width) float64 each

        Nodes lie on multiples of ``NODE_PX`` of the whole grid and places are rounded, so that a pixel gets the very
        same value in whichever window it is read.
        """
        nodes_x, at_x, part_x = _nodes(x0, width)
        nodes_y, at_y, part_y = _nodes(y0, height)
        xy = np.stack(np.meshgrid(nodes_x, nodes_y), axis=2).reshape(-1, 2)
        nodes = self._source_px(xy).reshape(len(nodes_y), len(nodes_x), 2)
        along = nodes[:, at_x] + (nodes[:, at_x + 1] - nodes[:, at_x]) * part_x[None, :, None]
        places = []
        for k in (0, 1):
            lines = along[..., k]
            place = lines[at_y] + (lines[at_y + 1] - lines[at_y]) * part_y[:, None]
            places.append(np.round(place * 64, out=place))
            place /= 64
        return places[0], places[1]


def _nodes(first: int, n: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    start = first // NODE_PX
    nodes = np.arange(start, (first + n - 1) // NODE_PX + 2) * float(NODE_PX)
    px = np.arange(first, first + n)
    return nodes, px // NODE_PX - start, (px % NODE_PX) / NODE_PX


@dataclass(frozen=True)
class Grid:
    """The working grid of a raster, before fine files are reduced."""

    width_px: int
    height_px: int
    transform: Six
    crs_wkt: str
    crs_name: str
    coarsest_mm: float
    """The longer side of the file's pixels on the ground. [mm]"""
    warp: Warp | None = None
    notes: tuple[str, ...] = ()

    @property
    def mm_per_px(self) -> float:
        """Root of a pixel's area. [mm]"""
        a, b, _, d, e, _ = self.transform
        return 1000 * math.sqrt(abs(a * e - b * d))


def apply(six: Six, points: np.ndarray) -> np.ndarray:
    """Map corners of pixels. (n, 2) -> (n, 2)"""
    a, b, c, d, e, f = six
    x, y = points[:, 0], points[:, 1]
    return np.stack([a * x + b * y + c, d * x + e * y + f], axis=1)


def inverse(six: Six) -> Six:
    """The map back."""
    a, b, c, d, e, f = six
    det = a * e - b * d
    return (e / det, -b / det, (b * f - c * e) / det, -d / det, a / det, (c * d - a * f) / det)


@lru_cache(maxsize=16)
def transformer(from_wkt: str, to_wkt: str) -> pyproj.Transformer:
    """Change of map, x before y on both sides; correction grids are never fetched from the network."""
    import pyproj
    import pyproj.network

    pyproj.network.set_network_enabled(False)
    return pyproj.Transformer.from_crs(
        pyproj.CRS.from_wkt(from_wkt), pyproj.CRS.from_wkt(to_wkt), always_xy=True, allow_ballpark=True
    )


def choose_grid(
    name: str, width_px: int, height_px: int, transform: Six | None, crs_wkt: str, settings: RasterSettings
) -> Grid:
    """The file's own grid where it is square and metric, else one of the UTM zone.

    Parameters
    ----------
    name : str
        Of the file, for messages.
    width_px, height_px : int
    transform : tuple of 6 float, optional
        None where the file has none.
    crs_wkt : str
        "" where the file has none.
    settings : RasterSettings

    Raises
    ------
    MissingCRS
        The file tells no map projection or no place, and ``settings.mm_per_px`` is not given.
    BadSettings
        It is given, and the file tells otherwise.
    UnreadableRaster
        The place is impossible, or the pixels are too coarse for rows.
    """
    if transform is None or not crs_wkt:
        return _local(name, width_px, height_px, transform, bool(crs_wkt), settings)
    a, b, _, d, e, _ = transform
    if not all(map(math.isfinite, transform)) or a * e - b * d == 0:
        raise UnreadableRaster(f"{name} has an impossible place on the map: {transform}.", "Write it anew.")
    crs = _flat(name, crs_wkt)
    middle = apply(transform, np.array([[width_px / 2, height_px / 2]]))[0]
    notes: list[str] = []
    fits = _is_metric(crs, float(middle[0]), float(middle[1]))
    target = crs if fits else utm_of(name, crs, float(middle[0]), float(middle[1]), notes)
    wkt, own = target.to_wkt(), crs.to_wkt()
    # the file's pixels on the ground, as two arrows
    jacobian = _jacobian(transform, own, wkt, (width_px / 2, height_px / 2))
    sides = np.linalg.svd(jacobian, compute_uv=False)
    if not np.isfinite(jacobian).all() or sides[1] <= 0:
        raise UnreadableRaster(f"{name} lies outside of the map that it names ({crs.name}).", "Write it anew.")
    coarsest = 1000 * float(sides[0])
    if coarsest > settings.rows_mm_per_px:
        raise UnreadableRaster(
            f"A pixel of {name} covers {coarsest:,.0f} mm of ground.",
            f"Rows show at {settings.rows_mm_per_px:g} mm and finer, stems at {settings.coarsest_mm_per_px:g} mm: "
            "fly lower, or write the mosaic at its full resolution.",
        )
    given = settings.mm_per_px
    mm = 1000 * math.sqrt(float(sides[0] * sides[1]))
    if given is not None and abs(given / mm - 1) > 0.02:
        raise BadSettings(
            f"raster.mm_per_px is {given:g}, but {name} tells {mm:.3g} mm.",
            "Leave it out: it is for files without a map.",
        )
    if fits and sides[0] / sides[1] < 1 + OBLONG and np.linalg.det(jacobian) < 0:
        return Grid(width_px, height_px, transform, wkt, named(target), coarsest, None, tuple(notes))
    if fits:
        notes.append("Its pixels are oblong, sheared or mirrored: it is drawn anew with square ones.")
    return _drawn_anew(name, width_px, height_px, transform, own, target, mm / 1000, coarsest, notes)


def _local(
    name: str, width_px: int, height_px: int, transform: Six | None, has_crs: bool, settings: RasterSettings
) -> Grid:
    if settings.mm_per_px is None:
        lacks = "a place on the map" if has_crs else "a map projection (CRS)"
        raise MissingCRS(f"{name} does not tell {lacks}: its scale is unknown.", _NO_CRS_REMEDY)
    mm = settings.mm_per_px
    if mm > settings.rows_mm_per_px:
        raise UnreadableRaster(
            f"{name} has {mm:g} mm a pixel.", f"Rows show at {settings.rows_mm_per_px:g} mm and finer: fly lower."
        )
    m = mm / 1000
    note = (
        f"It has no place on earth: {mm:g} mm a pixel as given, and eastings and northings are metres from the "
        "picture's lower left corner."
    )
    return Grid(width_px, height_px, (m, 0.0, 0.0, 0.0, -m, height_px * m), "", "local", mm, None, (note,))


def _flat(name: str, crs_wkt: str) -> pyproj.CRS:
    """The map projection without heights."""
    import pyproj

    try:
        crs = pyproj.CRS.from_wkt(crs_wkt)
        while crs.is_bound or crs.is_compound:
            crs = crs.source_crs if crs.is_bound else crs.sub_crs_list[0]  # type: ignore[assignment]
        return crs.to_2d() if len(crs.axis_info) == 3 else crs
    except (pyproj.exceptions.CRSError, IndexError, AttributeError) as error:
        said = (str(error).splitlines() or [""])[0][:200]
        raise MissingCRS(f"The map projection of {name} makes no sense: {said}.", _NO_CRS_REMEDY) from None


def named(crs: pyproj.CRS) -> str:
    """Code of a map projection, else its name."""
    code = crs.to_epsg()
    return f"EPSG:{code}" if code else "".join(c for c in crs.name if c.isprintable())[:80] or "unnamed"


def _is_metric(crs: pyproj.CRS, x: float, y: float) -> bool:
    """Whether a metre of the map is one of the ground, in both directions, and its axes point east and north."""
    axes = crs.axis_info[:2]
    if any(abs(axis.unit_conversion_factor - 1) > 1e-9 or axis.unit_name == "degree" for axis in axes):
        return False
    if not crs.is_projected:  # a building site's own axes: metres are all that is known of them
        return not crs.is_geographic and not crs.is_geocentric
    if sorted(axis.direction for axis in axes) != ["east", "north"]:
        return False
    lon, lat = transformer(crs.to_wkt(), crs.geodetic_crs.to_wkt()).transform(  # type: ignore[union-attr]
        [x, x + 10, x], [y, y, y + 10]
    )
    if not np.isfinite([lon, lat]).all():
        return True  # told later, as lying outside of its map
    geod = crs.get_geod()
    if geod is None:
        return False
    _, _, lengths = geod.inv([lon[0]] * 2, [lat[0]] * 2, lon[1:], lat[1:])
    return bool(np.all(np.abs(np.asarray(lengths) / 10 - 1) < STRETCH))


def utm_of(name: str, crs: pyproj.CRS, x: float, y: float, notes: list[str]) -> pyproj.CRS:
    """The UTM zone of a place, on the file's own datum where that has zones."""
    import pyproj
    from pyproj.aoi import AreaOfInterest
    from pyproj.database import query_utm_crs_info

    impossible = UnreadableRaster(f"{name} lies outside of the map that it names ({crs.name}).", "Write it anew.")
    try:
        lon, lat = transformer(crs.to_wkt(), pyproj.CRS("EPSG:4326").to_wkt()).transform(x, y)
    except pyproj.exceptions.ProjError:
        raise impossible from None
    if not (math.isfinite(lon) and math.isfinite(lat) and abs(lon) <= 180 and abs(lat) <= 84):
        raise impossible
    at = AreaOfInterest(lon, lat, lon, lat)
    geodetic = crs.geodetic_crs.name if crs.geodetic_crs is not None else ""
    zones = {info.name: info for info in query_utm_crs_info(area_of_interest=at)}
    own = [info for zone, info in zones.items() if zone.startswith(f"{geodetic} / UTM zone")]
    world = [info for zone, info in zones.items() if zone.startswith("WGS 84 / UTM zone")]
    if not own and not world:
        raise impossible
    found = (own or world)[0]
    target = pyproj.CRS.from_authority(found.auth_name, found.code)
    why = "degrees" if crs.is_geographic else "another unit or projection, which stretches lengths"
    notes.append(f"Its map ({named(crs)}) has {why}: it is brought to {named(target)} ({target.name}).")
    if not own:
        notes.append(f"{geodetic} has no such zones: places may be a metre or two off those of other maps.")
    return target


def _to_metres(source: Six, own: str, wkt: str, corners_px: np.ndarray) -> np.ndarray:
    """Pixel corners of the file on the working map. (n, 2) -> (n, 2) [m]"""
    places = apply(source, corners_px)
    if own == wkt:
        return places
    return np.stack(transformer(own, wkt).transform(places[:, 0], places[:, 1]), axis=1)


def _jacobian(source: Six, own: str, wkt: str, at: tuple[float, float]) -> np.ndarray:
    """Change of metres with pixels of the file. (2, 2) [m/px]"""
    step = 50.0
    points = np.array(at) + np.array([[step, 0], [-step, 0], [0, step], [0, -step]])
    metres = _to_metres(source, own, wkt, points)
    with np.errstate(invalid="ignore"):
        return np.stack([metres[0] - metres[1], metres[2] - metres[3]], axis=1) / (2 * step)


def _drawn_anew(
    name: str,
    width_px: int,
    height_px: int,
    source: Six,
    own: str,
    target: pyproj.CRS,
    side_m: float,
    coarsest: float,
    notes: list[str],
) -> Grid:
    """A grid of square pixels, north up, around the whole file."""
    part = np.linspace(0, 1, 33)
    edge = np.concatenate(
        [np.c_[part, 0 * part], np.c_[part, 0 * part + 1], np.c_[0 * part, part], np.c_[0 * part + 1, part]]
    )
    wkt = target.to_wkt()
    places = _to_metres(source, own, wkt, edge * [width_px, height_px])
    if not np.isfinite(places).all():
        raise UnreadableRaster(f"Part of {name} lies outside of the map that it names.", "Cut it to the field.")
    west, south = places.min(axis=0)
    east, north = places.max(axis=0)
    # to the metre: numbers stay short
    west, north = math.floor(west * 100) / 100, math.ceil(north * 100) / 100
    width, height = math.ceil((east - west) / side_m), math.ceil((north - south) / side_m)
    if width * height > 8 * width_px * height_px + 10_000:  # turned by any angle a strip needs more, a field does not
        notes.append("It lies aslant: most of the grid that it is drawn on is empty.")
    grid: Six = (side_m, 0.0, west, 0.0, -side_m, north)
    return Grid(width, height, grid, wkt, named(target), coarsest, Warp(source, grid, wkt, own), tuple(notes))
