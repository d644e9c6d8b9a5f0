"""Where in a marked photo the picture itself lies, between the words above and below it: told in the file itself.

It stands in a comment of the JPEG (segment COM of ISO/IEC 10918-1), so that the two cannot be parted; viewers pass
comments over.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

_WORDS = re.compile(
    rb"standcam picture at (\d{1,5}),(\d{1,5}) size (\d{1,5})x(\d{1,5}) of photo ([1-9]\d{0,5})x([1-9]\d{0,5})\Z"
)
_START, _COMMENT, _SCAN = b"\xff\xd8", 0xFE, 0xDA


@dataclass(frozen=True)
class PicturePlace:
    """A rectangle of whole pixels."""

    left: int
    top: int
    width: int
    height: int
    photo_width_px: int
    """Of the upright original that the picture is a reduced copy of."""
    photo_height_px: int

    def text(self) -> bytes:
        """The comment."""
        size = f"size {self.width}x{self.height} of photo {self.photo_width_px}x{self.photo_height_px}"
        return f"standcam picture at {self.left},{self.top} {size}".encode("ascii")


def with_place(jpeg: bytes, place: PicturePlace) -> bytes:
    """The JPEG with the comment behind its first marker."""
    text = place.text()
    return _START + b"\xff" + bytes([_COMMENT]) + (len(text) + 2).to_bytes(2, "big") + text + jpeg[2:]


def place_in(jpeg: bytes) -> PicturePlace | None:
    """What the comment says; None where there is none: packed anew by another program, or from before there was one."""
    if jpeg[:2] != _START:
        return None
    at = 2
    while at + 4 <= len(jpeg) and jpeg[at] == 0xFF and jpeg[at + 1] != _SCAN:
        length = int.from_bytes(jpeg[at + 2 : at + 4], "big")
        if length < 2:
            return None
        found = _WORDS.match(jpeg[at + 4 : at + 2 + length]) if jpeg[at + 1] == _COMMENT else None
        if found:
            return PicturePlace(*(int(n) for n in found.groups()))
        at += 2 + length
    return None


def picture_in(jpeg: bytes, photo_width_px: int, photo_height_px: int) -> np.ndarray | None:
    """The picture of a marked photo, without the words around it. (h, w, 3) uint8, RGB

    Parameters
    ----------
    photo_width_px, photo_height_px : int
        Of the photo that it must be of. [px]

    Returns
    -------
    array or None
        None where the place is not told, or does not fit the file or the photo: a wrong place is worse than none.
    """
    import cv2

    place = place_in(jpeg)
    if place is None or (place.photo_width_px, place.photo_height_px) != (photo_width_px, photo_height_px):
        return None
    whole = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION)
    if whole is None or not (place.width and place.height):
        return None
    cut = whole[place.top : place.top + place.height, place.left : place.left + place.width]
    # halvings and the last step of report/overlay.py's copy round each side, by up to 1.5 px together
    uneven = abs(place.width * photo_height_px - place.height * photo_width_px)
    fits = uneven <= 1.5 * (photo_width_px + photo_height_px)
    return cut if fits and cut.shape[:2] == (place.height, place.width) else None
