"""What a drone's frame tells of the flight: place, height, direction of sight and lens, by EXIF and XMP.

EXIF has open tags for most of it. Height above the take-off and the angles of the camera's mount stand in XMP under
names of each maker's own; those that end alike mean alike, and are looked for by their ends.
"""

from __future__ import annotations

import math
import re
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from standcam.files import open_file
from standcam.images.exif_place import exif_place

if TYPE_CHECKING:
    from PIL import Image

_MOST_XMP = 1_000_000
_XMP_HEAD = b"http://ns.adobe.com/xap/1.0/\0"
"""Before an XMP packet in a JPEG (ISO 16684-1; Adobe, XMP Specification Part 3, section 1.1.3)."""
_UNITS_PER_MM = {2: 1 / 25.4, 3: 1 / 10, 4: 1.0, 5: 1000.0}
"""Unit of EXIF's focal plane resolution (tag 41488): inch, cm; mm and µm as TIFF/EP adds."""


@dataclass(frozen=True)
class FrameFacts:
    """What the header tells; None where it does not."""

    width_px: int = 0
    """Of the upright picture."""
    height_px: int = 0
    latitude: float | None = None
    """North positive, WGS 84 as cameras write it. [degrees]"""
    longitude: float | None = None
    altitude_m: float | None = None
    """By GPS above the sea, or what the drone takes for it. [m]"""
    relative_m: float | None = None
    """Above the place of take-off. [m]"""
    pitch_deg: float | None = None
    """Elevation of the line of sight: -90 is straight down. [degrees]"""
    yaw_deg: float | None = None
    """Bearing of the picture's upper edge, clockwise from north. [degrees]"""
    focal_35mm: float | None = None
    """35 mm equivalent focal length, whole as written. [mm]"""
    focal_px: float | None = None
    """By focal length and pixels of the sensor. [px]"""
    taken: str = ""

    @property
    def off_nadir_deg(self) -> float | None:
        """Angle between the line of sight and straight down. [degrees]"""
        return None if self.pitch_deg is None else abs(90 - abs(self.pitch_deg)) if self.pitch_deg < 0 else 180.0


def read_frame_facts(path: str | Path) -> FrameFacts:
    """Facts of one frame; no pixel is decoded, and nothing raises: a broken frame shows when it is read."""
    from standcam.images.photo import MOST_BYTES, open_header

    try:
        with open_file(path, MOST_BYTES) as file, warnings.catch_warnings():
            warnings.simplefilter("ignore")  # odd metadata is common in photos and no concern of the user
            image = open_header(file)
            return _facts(image)
    except Exception:  # decoders raise anything on garbage
        return FrameFacts()


def _facts(image: Image.Image) -> FrameFacts:
    width, height = image.size
    try:
        exif = image.getexif()
        detail, gps = exif.get_ifd(0x8769), exif.get_ifd(0x8825)
        turn = int(exif.get(0x0112) or 1)
    except Exception:  # garbled EXIF does not spoil a good picture
        return FrameFacts(width, height)
    xmp = xmp_numbers(_packet(image))
    place = exif_place(gps)
    pitch = _within(xmp.get("GimbalPitchDegree"), -180, 180)
    yaw = _first(
        _within(xmp.get("GimbalYawDegree"), -360, 360),
        _within(gps.get(17), 0, 360) if _text(gps.get(16)) != "M" else None,  # magnetic north is not the map's
        _within(xmp.get("FlightYawDegree"), -360, 360),
    )
    if yaw is not None:
        # bearings are of the sensor's upper edge; the upright picture may be turned (Exif 2.32, tag 274)
        yaw = (yaw - {3: 180, 6: 90, 8: -90}.get(turn, 0)) % 360
    upright = (height, width) if turn in (5, 6, 7, 8) else (width, height)
    return FrameFacts(
        *upright,
        latitude=place[0] if place else None,
        longitude=place[1] if place else None,
        altitude_m=_altitude(gps),
        relative_m=_within(xmp.get("RelativeAltitude"), 0.1, 1000),
        pitch_deg=pitch,
        yaw_deg=yaw,
        focal_35mm=_within(detail.get(0xA405), 4, 3000),
        focal_px=_focal_px(detail, width),
        taken=_text(detail.get(0x9003) or exif.get(0x0132))[:40],
    )


def xmp_numbers(packet: bytes) -> dict[str, float]:
    """Numbers by the ends of their names, whatever goes before; as attributes or as elements.

    >>> xmp_numbers(b'<x:Description maker:RelativeAltitude="+9.10"/><m:GimbalPitchDegree>-90</m:GimbalPitchDegree>')
    {'RelativeAltitude': 9.1, 'GimbalPitchDegree': -90.0}
    """
    found: dict[str, float] = {}
    for name in ("RelativeAltitude", "GimbalPitchDegree", "GimbalYawDegree", "FlightYawDegree"):
        end = name.encode()
        shape = rb"[\w.-]{0,80}:\w{0,40}" + end + rb"""(?:\s{0,9}=\s{0,9}["']|>)\s{0,9}([+-]?\d{1,9}(?:\.\d{0,12})?)"""
        if match := re.search(shape, packet):
            found[name] = float(match[1])
    return found


def _packet(image: Image.Image) -> bytes:
    for name, data in getattr(image, "applist", []):
        if name == "APP1" and data.startswith(_XMP_HEAD):
            return bytes(data[len(_XMP_HEAD) :][:_MOST_XMP])
    data = image.info.get("xmp", b"")
    return data[:_MOST_XMP] if isinstance(data, bytes) else b""


def _altitude(gps: Mapping[int, Any]) -> float | None:
    """GPS tags 5 and 6: below the sea where the reference is 1."""
    altitude = _within(gps.get(6), 0, 10_000)
    below = gps.get(5) in (1, b"\x01", "\x01")
    return None if altitude is None else -altitude if below else altitude


def _focal_px(detail: Mapping[int, Any], width_px: int) -> float | None:
    """By EXIF 37386 and 41486, scaled where the picture is smaller than the one the camera took (40962)."""
    focal, per_unit = _within(detail.get(0x920A), 0.5, 3000), _within(detail.get(0xA20E), 1e-3, 1e7)
    unit = _UNITS_PER_MM.get(int(_within(detail.get(0xA210), 1, 9) or 2))
    if focal is None or per_unit is None or unit is None:
        return None
    taken = _within(detail.get(0xA002), 1, 1e6) or width_px
    found = focal * per_unit * unit * width_px / taken
    return found if 0.2 * width_px < found < 50 * width_px else None


def _within(value: Any, low: float, high: float) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None
    return number if math.isfinite(number) and low <= number <= high else None


def _first(*values: float | None) -> float | None:
    return next((value for value in values if value is not None), None)


def _text(value: Any) -> str:
    text = value.decode("ascii", "ignore") if isinstance(value, bytes) else str(value or "")
    return "".join(c for c in text if c.isprintable()).strip()
