"""Opening a raster file and nothing else: no address of the network, no other file that it names, no other kind.

The library behind rasterio knows some two hundred kinds of files and paths that are commands. Here a path is a file on
this machine, two or three kinds are tried, and files lying beside it (overviews, world files, ``.aux.xml``) are not
looked at, for they may name others in turn.
"""

from __future__ import annotations

import os
import stat
import threading
import warnings
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from standcam.errors import UnreadableRaster

if TYPE_CHECKING:
    from rasterio.io import DatasetReader

MAGIC = {
    b"II*\0": "GTiff", b"MM\0*": "GTiff", b"II+\0": "GTiff", b"MM\0+": "GTiff",
    b"\x89PNG": "PNG", b"\xff\xd8\xff": "JPEG",
}  # fmt: skip
"""First bytes of the kinds that are opened. TIFF 6.0, section 2; BigTIFF with 43 in place of 42."""
MOST_BLOCK_BYTES = 400_000_000
"""A block is decoded whole. Above this a file of one strip fills the memory. [bytes]"""
_KEPT = 4


@dataclass(frozen=True)
class Opening:
    """How a file is opened; small, and the key by which an open one is found again."""

    path: str
    driver: str
    size_bytes: int
    cache_mb: int = 64
    threads: int = 1


def opening_of(path: str | Path, cache_mb: int = 64, threads: int = 1) -> Opening:
    """Look at the file without handing it to a library.

    Raises
    ------
    UnreadableRaster
        Missing, no rights, no regular file, or of another kind than TIFF, PNG and JPEG.
    """
    path = Path(path)
    name = _shown(path.name or str(path))
    try:
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
        with os.fdopen(handle, "rb") as file:
            found = os.fstat(file.fileno())
            if stat.S_ISDIR(found.st_mode):
                raise IsADirectoryError(21, "it is a folder")
            if not stat.S_ISREG(found.st_mode):
                raise OSError(22, "it is no file, but a pipe or device")
            head = file.read(8)
    except ValueError:  # a null character in the path
        raise UnreadableRaster(f"{name} is no path of a file.", "Check the path.") from None
    except OSError as error:
        remedy = "Check the path and the rights. Addresses of the network are not read: fetch the file first."
        raise UnreadableRaster(f"{name} cannot be read: {error.strerror}.", remedy) from None
    if not head:
        raise UnreadableRaster(f"{name} is empty (0 bytes).", "Copy it again.")
    driver = next((kind for magic, kind in MAGIC.items() if head.startswith(magic)), None)
    if driver is None:
        raise UnreadableRaster(
            f"{name} is no GeoTIFF.",
            "Give the orthomosaic as GeoTIFF (.tif), not a project, an archive or a link to one.",
        )
    return Opening(str(path.absolute()), driver, found.st_size, cache_mb, threads)


def _shown(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text)[:200]


def environment(opening: Opening) -> Any:
    """Settings of the library that hold while a file is opened or read."""
    import rasterio

    return rasterio.Env(
        # files beside this one are not looked for
        GDAL_DISABLE_READDIR_ON_OPEN="EMPTY_DIR",
        GDAL_PAM_ENABLED="NO",
        GDAL_CACHEMAX=opening.cache_mb << 20,  # a number goes to GDALSetCacheMax64, which takes bytes
        # damage must not pass for a picture
        GDAL_ERROR_ON_LIBJPEG_WARNING="YES",
        GDAL_NUM_THREADS=opening.threads,
        GDAL_GEOREF_SOURCES="INTERNAL",
    )


class _Open(threading.local):
    """Datasets kept open: of this thread, for they are not safe to share, and of this process, not of its parent."""

    def __init__(self) -> None:
        self.pid = os.getpid()
        self.kept: OrderedDict[Opening, DatasetReader] = OrderedDict()


_OPEN = _Open()


@contextmanager
def dataset(opening: Opening) -> Iterator[DatasetReader]:
    """The open dataset, kept for the next call; library errors inside come out as UnreadableRaster.

    Raises
    ------
    UnreadableRaster
        The file is damaged, or has changed its size since it was first looked at.
    """
    import rasterio.errors

    name = _shown(Path(opening.path).name)
    with environment(opening):
        try:
            yield _kept(opening, name)
        except rasterio.errors.RasterioError as error:
            raise damaged(name, error) from None
        except (OverflowError, UnicodeError) as error:  # numbers and texts that no sound file holds
            raise damaged(name, error) from None
        except Exception as error:
            if type(error).__module__.startswith("rasterio."):  # some of its errors share no base with the others
                raise damaged(name, error) from None
            raise


def _kept(opening: Opening, name: str) -> DatasetReader:
    if _OPEN.pid != os.getpid():  # after a fork: the parent's are left alone, their file positions are shared
        _OPEN.kept, _OPEN.pid = OrderedDict(), os.getpid()
    found = _OPEN.kept.get(opening)
    if found is None:
        found = _open(opening, name)
        _OPEN.kept[opening] = found
        while len(_OPEN.kept) > _KEPT:
            _OPEN.kept.popitem(last=False)[1].close()
    _OPEN.kept.move_to_end(opening)
    return found


def _open(opening: Opening, name: str) -> DatasetReader:
    import rasterio
    from rasterio.errors import NotGeoreferencedWarning

    try:
        size = os.stat(opening.path).st_size
    except OSError as error:
        raise UnreadableRaster(f"{name} cannot be read: {error.strerror}.", "Leave it in place during a run.") from None
    if size != opening.size_bytes:
        raise UnreadableRaster(f"{name} changed while it was being read.", "Start again when it is written in full.")
    options = {"NUM_THREADS": str(opening.threads)} if opening.driver == "GTiff" else {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)  # told by MissingCRS
        return rasterio.open(opening.path, driver=opening.driver, sharing=False, **options)


def damaged(name: str, error: Exception) -> UnreadableRaster:
    """What the library said, in one line."""
    # the words of the error behind it are the fuller ones
    said = str(error.__cause__ or error).strip().splitlines() or [type(error).__name__]
    return UnreadableRaster(f"{name} is damaged: {_shown(said[0]).rstrip('.')}.", "Write or copy it again.")


def close_rasters() -> None:
    """Close what this thread keeps open."""
    if _OPEN.pid == os.getpid():
        for kept in _OPEN.kept.values():
            kept.close()
    _OPEN.kept = OrderedDict()
