"""What the camera noted of a photo: time, place and size, by its header alone."""

from __future__ import annotations

import math
import re
import warnings
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from standcam.files import open_file
from standcam.images.exif_place import exif_place

if TYPE_CHECKING:
    from PIL import Image

NEVER = ("0000:00:00 00:00:00", "    :  :     :  :  ")
"""What cameras without a set clock write (Exif 2.32, tag 36867)."""


@dataclass(frozen=True)
class PhotoFacts:
    """What the header of a picture tells; None where it does not."""

    taken: datetime | None = None
    """Time by the camera's clock, without zone."""
    utc_offset: timedelta | None = None
    """Zone of that clock."""
    longitude: float | None = None
    """East positive, WGS 84 as cameras write it. [degrees]"""
    latitude: float | None = None
    """North positive. [degrees]"""
    gps_error_m: float | None = None
    """Error of the position that the camera itself states. [m]"""
    megapixels: float = 0.0
    """Size by the header; 0 where the file is no picture. [Mpx]"""


def read_facts(path: str | Path) -> PhotoFacts:
    """Facts of one photo of the kinds that are counted.

    No pixel is decoded, no more than 500 MB are looked at, and nothing raises: a broken photo shows when it is counted.

    Tags by CIPA DC-008 (Exif 2.32): 36867 time, 36881 its zone, GPS 1 to 4 place, GPS 31 error of place.
    """
    from standcam.images.photo import MOST_BYTES

    try:
        with open_file(path, MOST_BYTES) as file, warnings.catch_warnings():
            warnings.simplefilter("ignore")  # odd metadata is common in photos and no concern of the user
            (width, height), exif = _header(file)
            if exif is None:
                return PhotoFacts(megapixels=width * height / 1e6)
            try:
                detail, gps = exif.get_ifd(0x8769), exif.get_ifd(0x8825)
                taken = detail.get(0x9003) or detail.get(0x9004) or exif.get(0x0132)
                latitude, longitude = exif_place(gps) or (None, None)
                error, zone = _positive(gps.get(31)), exif_offset(detail.get(0x9011))
            except Exception:  # garbled EXIF does not spoil a good picture
                return PhotoFacts(megapixels=width * height / 1e6)
    except Exception:  # decoders raise anything on garbage
        return PhotoFacts()
    return PhotoFacts(exif_time(taken), zone, longitude, latitude, error, width * height / 1e6)


def _header(file: BinaryIO) -> tuple[tuple[int, int], Image.Exif | None]:
    """Size and EXIF data of a picture."""
    from PIL import Image

    from standcam.images.photo import open_header
    from standcam.images.png_exif import SIGNATURE, read_png_header

    size = (0, 0)
    start = file.read(len(SIGNATURE))
    file.seek(0)
    try:
        if start != SIGNATURE:
            image = open_header(file)
            size = image.size
            exif = image.getexif()
        else:
            png = read_png_header(file)
            size = (png.width_px, png.height_px)
            exif = Image.Exif()
            exif.load(png.exif or b"")
        return size, exif
    except Exception:
        if not any(size):
            raise
        return size, None  # garbled EXIF does not spoil a good picture


def exif_time(value: Any) -> datetime | None:
    """Time as EXIF writes it, or None where it is none.

    >>> exif_time("2026:05:20 09:14:02")
    datetime.datetime(2026, 5, 20, 9, 14, 2)
    """
    text = str(value or "").replace("\0", "").strip()
    found = re.fullmatch(r"(\d{4})[:\-](\d\d)[:\-](\d\d)[ T](\d\d):(\d\d):(\d\d)(?:\.\d+)?", text)
    if not found or text in NEVER:
        return None
    try:
        return datetime(*(int(part) for part in found.groups()))  # type: ignore[arg-type]
    except ValueError:
        return None


def exif_offset(value: Any) -> timedelta | None:
    """Time zone as EXIF and people write it: ``+02:00``, ``-0500``, ``Z``; None where it is none."""
    text = str(value or "").replace("\0", "").strip()
    if text in ("Z", "z"):
        return timedelta()
    found = re.fullmatch(r"([+-])(\d\d?):?(\d\d)?", text)
    if not found:
        return None
    sign = -1 if found[1] == "-" else 1
    offset = sign * timedelta(hours=int(found[2]), minutes=int(found[3] or 0))
    return offset if abs(offset) <= timedelta(hours=14) else None


def _positive(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if math.isfinite(number) and number > 0 else None
