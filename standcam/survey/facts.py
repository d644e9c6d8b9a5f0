"""What the camera noted of a photo: time, place and size, by its header alone."""

from __future__ import annotations

import math
import re
import warnings
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

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
    """Facts of one photo; no pixel is decoded, and nothing raises: a broken photo shows when it is counted.

    Tags by CIPA DC-008 (Exif 2.32): 36867 time, 36881 its zone, GPS 1 to 4 place, GPS 31 error of place.
    """
    from PIL import Image

    path = Path(path)
    try:
        if path.suffix.lower() in (".heic", ".heif"):
            from pillow_heif import register_heif_opener

            register_heif_opener()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # odd metadata is common in photos and no concern of the user
            with Image.open(path) as image:
                megapixels = image.width * image.height / 1e6
                exif = image.getexif()
                detail, gps = exif.get_ifd(0x8769), exif.get_ifd(0x8825)
    except Exception:  # decoders raise anything on garbage
        return PhotoFacts()
    taken = detail.get(0x9003) or detail.get(0x9004) or exif.get(0x0132)
    latitude, longitude = _degrees(gps.get(2), gps.get(1), 90.0), _degrees(gps.get(4), gps.get(3), 180.0)
    if latitude is None or longitude is None or (latitude == 0 and longitude == 0):
        latitude = longitude = None  # phones without a fix write 0, 0
    return PhotoFacts(
        exif_time(taken), exif_offset(detail.get(0x9011)), longitude, latitude, _positive(gps.get(31)), megapixels
    )


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


def _degrees(value: Any, side: Any, most: float) -> float | None:
    try:
        parts = [float(part) for part in value]
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    if len(parts) != 3 or not all(math.isfinite(part) for part in parts):
        return None
    degrees = parts[0] + parts[1] / 60 + parts[2] / 3600
    side = side.decode("ascii", "ignore") if isinstance(side, bytes) else str(side or "")
    if not 0 <= degrees <= most:
        return None
    return -degrees if side.strip("\0 ").upper() in ("S", "W") else degrees


def _positive(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if math.isfinite(number) and number > 0 else None
