"""Orthomosaics: what a GeoTIFF is, where it lies and how its pixels are to be read; no pixels.

Files come from strangers and may be broken or made to harm: :mod:`standcam.images.raster_file` opens them, and here is
refused what shows no colours, or what would fill the memory.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from standcam.errors import BadSettings, UnreadableRaster
from standcam.ground.map import GroundMap
from standcam.images.raster_file import MOST_BLOCK_BYTES, Opening, dataset, opening_of
from standcam.images.raster_grid import Six, Warp, apply, choose_grid, inverse
from standcam.settings import RasterSettings

if TYPE_CHECKING:
    from rasterio.io import DatasetReader

    from standcam.images.raster_read import Window

Validity = Literal["all", "alpha", "mask", "nodata", "fill"]
"""What tells pixels without data: nothing, a band, a mask, a value that the file declares, plain colour at its edge."""
_MOST_SIDE_PX = 4_000_000
_MOST_LINEWISE_PX = 300_000_000
"""PNG and JPEG can only be read from their top; large ones would be decoded over and over. [px]"""
_LOSSY = ("jpeg", "webp", "lerc", "jxl", "ycbcr")
_COLOURS = ("red", "green", "blue")
_PATCH_PX = 64
_SAMPLE_PX = 256


@dataclass(frozen=True)
class Raster:
    """An orthomosaic as it is read: a grid of square pixels on a plane in metres. Small, and safe to send around.

    Pixels are those of the working grid: after a file in degrees or feet was brought to metres, and after a very fine
    one was reduced. Centres are at integers.
    """

    path: Path
    width_px: int
    height_px: int
    mm_per_px: float
    """Ground length of a pixel; map length, which in UTM differs by up to a thousandth. [mm/px]"""
    crs_wkt: str
    """Projection with metres; "" for a local frame without place on earth."""
    crs_name: str
    """``EPSG:32615``, a name, or ``local``."""
    transform: Six
    """Corners of pixels to metres: easting = a col + b row + c, northing = d col + e row + f. [m]"""
    origin_m: tuple[float, float]
    """Easting and northing of the ground frame's zero. [m]"""
    source_width_px: int
    source_height_px: int
    source_mm_per_px: float
    """The longer side of the file's own pixels. [mm/px]"""
    bands: tuple[int, int, int]
    """Numbers of red, green and blue in the file, from 1."""
    dtype: str
    """uint8 or uint16."""
    stretch: tuple[float, float] | None
    """Values of a 16-bit file that become 0 and 255; the same for every piece."""
    validity: Validity
    alpha_band: int | None
    nodata: tuple[float, float, float] | None
    """Values of red, green and blue that mean no data."""
    nodata_tolerance: float
    """Lossy files hit that value only nearly."""
    has_overviews: bool
    block_px: tuple[int, int]
    """Width and height of the pieces that the file is stored in. [px]"""
    factor: int
    """Pixels of the file's (or the metric) grid on a side of one working pixel."""
    why_no_stems: str
    """Why no stems can be sought, in words; "" where they can."""
    opening: Opening
    warp: Warp | None = None
    """How working pixels before reduction lie in the file, where it is drawn anew."""
    notes: tuple[str, ...] = ()
    """In words: what was done otherwise than expected."""

    @property
    def warped(self) -> bool:
        """Whether it is drawn anew onto another grid than its own."""
        return self.warp is not None

    @property
    def has_valid(self) -> bool:
        """Whether there may be pixels without data."""
        return self.validity != "all" or self.warped

    @property
    def stems_possible(self) -> bool:
        """Whether it is fine enough for stems; else it tells rows and gaps only."""
        return not self.why_no_stems

    @property
    def bounds_m(self) -> tuple[float, float, float, float]:
        """West, south, east, north. [m]"""
        w, h = self.width_px, self.height_px
        corners = apply(self.transform, np.array([[0, 0], [w, 0], [0, h], [w, h]], float))
        west, south = corners.min(axis=0)
        east, north = corners.max(axis=0)
        return float(west), float(south), float(east), float(north)

    def to_map(self, points_px: np.ndarray) -> np.ndarray:
        """Easting and northing of pixels. (n, 2) [px] -> (n, 2) [m]"""
        return apply(self.transform, np.asarray(points_px, float).reshape(-1, 2) + 0.5)

    def to_pixels(self, points_m: np.ndarray) -> np.ndarray:
        """Pixels of map points. (n, 2) [m] -> (n, 2) [px]"""
        return apply(inverse(self.transform), np.asarray(points_m, float).reshape(-1, 2)) - 0.5

    def to_source_pixels(self, points_m: np.ndarray) -> np.ndarray:
        """Pixels of the file itself, whatever grid it is read in. (n, 2) [m] -> (n, 2) [px]"""
        px = (self.to_pixels(points_m) + 0.5) * self.factor - 0.5
        return px if self.warp is None else self.warp.source_px(px)

    @property
    def ground(self) -> GroundMap:
        """Ground map of the whole raster: cm, x along easting, y along northing, zero at ``origin_m``."""
        return self._ground(0, 0, self.width_px, self.height_px)

    def ground_of(self, window: Window) -> GroundMap:
        """The same ground frame for the pixels of one piece, whose first pixel is (0, 0)."""
        return self._ground(window.x0, window.y0, window.width_px, window.height_px)

    def _ground(self, x0: float, y0: float, width_px: int, height_px: int) -> GroundMap:
        a, b, c, d, e, f = self.transform
        east, north = self.origin_m
        cm = 100 * np.array([[a, b, c - east], [d, e, f - north], [0, 0, 0.01]])
        corner = np.array([[1.0, 0, x0 + 0.5], [0, 1.0, y0 + 0.5], [0, 0, 1.0]])
        return GroundMap(cm @ corner, width_px, height_px, "geotiff", notes=self.notes)


def open_raster(path: str | Path, settings: RasterSettings | None = None) -> Raster:
    """Look at an orthomosaic: GeoTIFF or cloud-optimised GeoTIFF; PNG or JPEG where ``settings.mm_per_px`` is given.

    Raises
    ------
    UnreadableRaster
        Missing, damaged, of another kind, without colours, of floating point numbers, coarser than rows show in, or
        stored so that it cannot be read piece by piece.
    MissingCRS
        It tells no map projection, and ``settings.mm_per_px`` is not given.
    BadSettings
        ``settings.mm_per_px`` or ``settings.bands`` contradict the file.
    """
    settings = settings or RasterSettings()
    opening = opening_of(path, settings.cache_mb, settings.read_threads)
    path = Path(path)
    with dataset(opening) as file:
        return _facts(path, opening, file, settings)


def _facts(path: Path, opening: Opening, file: DatasetReader, settings: RasterSettings) -> Raster:
    name = path.name
    notes: list[str] = []
    _check_size(name, file, opening, settings)
    bands, alpha = _bands(name, file, settings, notes)
    dtype = str(file.dtypes[bands[0] - 1])
    transform = file.transform
    placed: Six | None = None
    if not transform.is_identity:
        placed = (transform.a, transform.b, transform.c, transform.d, transform.e, transform.f)
    if placed is None and file.gcps[0]:
        notes.append("It has control points but no grid on the map: let the mosaic program write it georeferenced.")
    crs = file.crs
    grid = choose_grid(
        name,
        file.width,
        file.height,
        placed,
        crs.to_wkt() if crs else "",
        settings,
    )
    notes += grid.notes
    factor = max(1, round(settings.finest_mm_per_px / grid.mm_per_px))
    width, height = grid.width_px // factor, grid.height_px // factor
    if min(width, height) < 1:
        raise UnreadableRaster(f"{name} is only {file.width} x {file.height} pixels.", "Is it the right file?")
    a, b, c, d, e, f = grid.transform
    six: Six = (a * factor, b * factor, c, d * factor, e * factor, f)
    if factor > 1:
        notes.append(f"It has {grid.mm_per_px:.3g} mm a pixel and is read reduced by {factor}.")
    block = (int(file.block_shapes[bands[0] - 1][1]), int(file.block_shapes[bands[0] - 1][0]))
    if block[0] >= file.width > 4 * settings.tile_px:
        notes.append("It is stored in stripes, which read slowly: a tiled file is read faster.")
    if file.subdatasets:
        notes.append(f"It holds {len(file.subdatasets)} pictures; the first is used.")
    validity, nodata, tolerance = _validity(name, file, bands, alpha, dtype, settings, notes)
    stretch = None
    if dtype == "uint16":
        stretch = _stretch(_samples(file, bands), nodata, settings)
        notes.append(f"16 bits: values {stretch[0]:,.0f} to {stretch[1]:,.0f} become 0 to 255 everywhere.")
    corners = apply(six, np.array([[0, 0], [width, 0], [0, height], [width, height]], float))
    low = np.floor(corners.min(axis=0))
    coarse = grid.coarsest_mm > settings.coarsest_mm_per_px * 1.005
    return Raster(
        path=path,
        width_px=width,
        height_px=height,
        mm_per_px=grid.mm_per_px * factor,
        crs_wkt=grid.crs_wkt,
        crs_name=grid.crs_name,
        transform=six,
        origin_m=(float(low[0]), float(low[1])),
        source_width_px=file.width,
        source_height_px=file.height,
        source_mm_per_px=grid.coarsest_mm,
        bands=bands,
        dtype=dtype,
        stretch=stretch,
        validity=validity,
        alpha_band=alpha if validity == "alpha" else None,
        nodata=nodata,
        nodata_tolerance=tolerance,
        has_overviews=bool(file.overviews(bands[0])),
        block_px=block,
        factor=factor,
        why_no_stems=(
            f"A pixel of {name} covers {grid.coarsest_mm:.3g} mm of ground: single stems show at "
            f"{settings.coarsest_mm_per_px:g} mm and finer. Rows and gaps can still be measured."
            if coarse
            else ""
        ),
        opening=_enough_cache(opening, file, block, bands, settings),
        warp=grid.warp,
        notes=tuple(notes),
    )


def _check_size(name: str, file: DatasetReader, opening: Opening, settings: RasterSettings) -> None:
    pixels = file.width * file.height
    claim = f"{name} claims {file.width:,} x {file.height:,} pixels"
    if max(file.width, file.height) > _MOST_SIDE_PX or pixels > settings.max_gigapixels * 1e9:
        raise UnreadableRaster(f"{claim}, more than any mosaic has.", "Write it anew, or raise raster.max_gigapixels.")
    if opening.driver != "GTiff" and pixels > _MOST_LINEWISE_PX:
        raise UnreadableRaster(f"{claim}, too many for a {opening.driver} file.", "Write it as a tiled GeoTIFF.")
    rows, columns = file.block_shapes[0] if file.block_shapes else (1, 1)
    shared = file.count if str(file.profile.get("interleave", "")).lower() == "pixel" else 1
    if rows * columns * shared * np.dtype(_known(name, file.dtypes[0])).itemsize > MOST_BLOCK_BYTES:
        raise UnreadableRaster(
            f"{name} is stored in blocks of {columns:,} x {rows:,} pixels: it cannot be read piece by piece.",
            "Write it as a tiled GeoTIFF (tiles of 256 or 512 pixels).",
        )


def _known(name: str, dtype: str) -> str:
    """A type of numbers that shows colours."""
    if dtype in ("uint8", "uint16"):
        return dtype
    what = {"float32": "floating point numbers", "float64": "floating point numbers"}.get(
        dtype, f"numbers of type {dtype}"
    )
    raise UnreadableRaster(
        f"{name} holds {what}: heights, an index or reflectance, and no picture.",
        "Give the RGB mosaic in 8 or 16 bits (without sign).",
    )


def _bands(
    name: str, file: DatasetReader, settings: RasterSettings, notes: list[str]
) -> tuple[tuple[int, int, int], int | None]:
    """Bands of red, green and blue, and of transparency."""
    means = [getattr(meaning, "name", "undefined") for meaning in file.colorinterp]
    alpha = means.index("alpha") + 1 if "alpha" in means else None
    if settings.bands is not None:
        if max(settings.bands) > file.count:
            raise BadSettings(f"raster.bands is {list(settings.bands)}, but {name} has {file.count}.", "Check them.")
        bands = settings.bands
    elif "palette" in means:
        raise UnreadableRaster(
            f"{name} has a palette: a map drawn in a few colours, not a picture.", "Give the RGB mosaic itself."
        )
    elif file.tags(ns="IMAGE_STRUCTURE").get("SOURCE_COLOR_SPACE", "RGB") not in ("RGB", "YCbCr"):
        raise UnreadableRaster(f"{name} is made for print, not in RGB.", "Write it in RGB.")
    elif all(colour in means for colour in _COLOURS):
        red, green, blue = (means.index(colour) + 1 for colour in _COLOURS)
        bands = (red, green, blue)
    elif file.count - (alpha is not None) < 3:
        raise UnreadableRaster(
            f"{name} has {file.count} band{'s' if file.count > 1 else ''} and no colour: "
            "grey pictures, heights and indices do not show which pixels are plant.",
            "Give the RGB mosaic.",
        )
    elif file.count - (alpha is not None) == 3:
        first = [n for n in range(1, file.count + 1) if n != alpha]
        bands = (first[0], first[1], first[2])
        notes.append(f"It does not name its bands: {bands[0]}, {bands[1]}, {bands[2]} are taken as red, green, blue.")
    else:
        raise UnreadableRaster(
            f"{name} has {file.count} bands and does not tell which are red, green and blue.",
            "Name them by raster.bands in the survey file, such as bands = [3, 2, 1].",
        )
    types = {_known(name, file.dtypes[band - 1]) for band in bands}
    bits = [file.tags(band, ns="IMAGE_STRUCTURE").get("NBITS", "8") for band in bands]
    if len(types) > 1 or any(not b.isdigit() or int(b) < 8 for b in bits):
        raise UnreadableRaster(f"{name} has bands of too few or of different bits.", "Write 8 bits a band.")
    return bands, alpha


def _enough_cache(
    opening: Opening, file: DatasetReader, block: tuple[int, int], bands: tuple[int, int, int], settings: RasterSettings
) -> Opening:
    """Room for one line of pieces of a striped file, within bounds."""
    if block[0] < min(file.width, 4 * settings.tile_px):
        return opening
    line = file.width * 1.3 * settings.tile_px * file.count * np.dtype(file.dtypes[0]).itemsize / 1e6
    # what does not hold all of the line holds nothing when it is asked for again
    wanted = max(settings.cache_mb, math.ceil(line)) if line <= 3 * settings.cache_mb else settings.cache_mb
    return Opening(opening.path, opening.driver, opening.size_bytes, wanted, opening.threads)


def _pieces(
    file: DatasetReader, bands: tuple[int, int, int], across: int, side_px: int, middle: bool = True
) -> list[np.ndarray]:
    """Squares spread evenly over the file, less those that are damaged: not all of it may be. (3, h, w) each"""
    from rasterio.errors import RasterioError
    from rasterio.windows import Window as Piece

    w, h = min(side_px, file.width), min(side_px, file.height)
    found: list[np.ndarray] = []
    failed: RasterioError | None = None
    for j in range(across):
        for i in range(across):
            if not middle and 0 < i < across - 1 and 0 < j < across - 1:
                continue
            x, y = (file.width - w) * i // (across - 1), (file.height - h) * j // (across - 1)
            try:
                found.append(file.read(bands, window=Piece(x, y, w, h)))
            except RasterioError as error:
                failed = error
    if failed is not None and not found:
        raise failed
    return found


def _samples(file: DatasetReader, bands: tuple[int, int, int]) -> list[np.ndarray]:
    """Pixels of the whole raster, without reading all of it: an overview, else squares spread over it. (3, n) each"""
    scales = [s for s in file.overviews(bands[0]) if 50_000 < file.width * file.height / s**2 < 4_000_000]
    if scales:
        shape = (3, max(1, file.height // scales[-1]), max(1, file.width // scales[-1]))
        return [file.read(bands, out_shape=shape).reshape(3, -1)]
    return [piece[:, ::2, ::2].reshape(3, -1) for piece in _pieces(file, bands, 6, _SAMPLE_PX)]


def _stretch(
    samples: list[np.ndarray], nodata: tuple[float, float, float] | None, settings: RasterSettings
) -> tuple[float, float]:
    """Values that become 0 and 255: one pair for all bands, for greenness is a matter of their proportions."""
    values = np.concatenate(samples, axis=1)
    empty = (values == 0).all(axis=0)
    if nodata is not None:
        empty |= (values == np.array(nodata)[:, None]).all(axis=0)
    values = values[:, ~empty]
    if values.size == 0:
        return 0.0, 65535.0
    if values.max() <= 255:  # 8 bits in a 16-bit file
        return 0.0, 255.0
    low, high = np.percentile(values, [settings.stretch_low_pct, settings.stretch_high_pct])
    # a black level near zero is left at zero, which keeps the proportions of the bands
    low = 0.0 if low < 0.4 * high else low
    return float(low), float(max(high, low + 1))


def _validity(
    name: str,
    file: DatasetReader,
    bands: tuple[int, int, int],
    alpha: int | None,
    dtype: str,
    settings: RasterSettings,
    notes: list[str],
) -> tuple[Validity, tuple[float, float, float] | None, float]:
    """What tells pixels without data, its value, and how nearly lossy files hit it."""
    if alpha is not None:
        return "alpha", None, 0.0
    declared = [file.nodatavals[band - 1] for band in bands]
    top = float(np.iinfo(dtype).max)
    compression = str(file.profile.get("compress", "")).lower()
    lossy = any(word in compression for word in _LOSSY) or file.driver == "JPEG"
    tolerance = 3.0 * (top / 255) if lossy else 0.0
    if all(value is not None for value in declared):
        if all(np.isfinite(v) and 0 <= v <= top for v in declared):
            return "nodata", (float(declared[0]), float(declared[1]), float(declared[2])), tolerance
        notes.append(f"It declares {declared[0]:g} as no data, which no pixel can have: that is passed over.")
    if any("per_dataset" in {flag.name for flag in file.mask_flag_enums[band - 1]} for band in bands):
        return "mask", None, 0.0
    if settings.find_fill:
        fill = _fill(file, bands, top, tolerance)
        if fill is not None:
            colour = "black" if fill == 0 else "white"
            notes.append(f"It declares no empty pixels, but plain {colour} at its edge is taken as such.")
            return "fill", (fill, fill, fill), tolerance
    return "all", None, 0.0


def _fill(file: DatasetReader, bands: tuple[int, int, int], top: float, tolerance: float) -> float | None:
    """Black or white if a whole patch at the corners or middles of the edges is plainly that."""
    votes = {0.0: 0, top: 0}
    for patch in _pieces(file, bands, 3, _PATCH_PX, middle=False):
        for value in votes:
            votes[value] += bool((np.abs(patch.astype(float) - value) <= tolerance).all())
    best = max(votes, key=lambda value: votes[value])
    return best if votes[best] else None


def raster_sha256(raster: Raster) -> str:
    """Hash of the file's bytes, read once through.

    Raises
    ------
    UnreadableRaster
        It is gone, or was changed meanwhile.
    """
    found = hashlib.sha256()
    size = 0
    try:
        with open(raster.opening.path, "rb") as file:
            while piece := file.read(1 << 22):
                found.update(piece)
                size += len(piece)
    except OSError as error:
        raise UnreadableRaster(f"{raster.path.name} cannot be read: {error.strerror}.", "Leave it in place.") from None
    if size != raster.opening.size_bytes:
        raise UnreadableRaster(f"{raster.path.name} changed while it was being read.", "Start again.")
    return found.hexdigest()
