"""Where a photo was taken, by the GPS tags of its EXIF data."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any


def exif_place(gps: Mapping[int, Any]) -> tuple[float, float] | None:
    """Latitude and longitude, north and east positive, WGS 84 as cameras write it; None where they are not told.

    Parameters
    ----------
    gps : mapping
        The GPS directory by tag: 1 to 4 of CIPA DC-008 (Exif 2.32). [degrees, minutes, seconds]
    """
    latitude, longitude = _degrees(gps.get(2), gps.get(1), 90.0), _degrees(gps.get(4), gps.get(3), 180.0)
    if latitude is None or longitude is None or (latitude == 0 and longitude == 0):
        return None  # phones without a fix write 0, 0
    return latitude, longitude


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
