"""Reading a photo: upright 8-bit RGB pixels, content hash and the EXIF facts used later.

JPEG goes through OpenCV (the fastest decoder at hand); the rest, and JPEGs that OpenCV cannot take (CMYK),
through Pillow, which also knows HEIC by way of pillow-heif.

Files may be broken or made to harm. Only the four kinds are opened, whatever a file is called: Pillow knows some fifty
more, and would start other programs for one of them. Sizes are looked at before a pixel is decoded.
"""

from __future__ import annotations

import hashlib
import io
import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

import cv2
import numpy as np

from standcam import flags
from standcam.errors import UnreadablePhoto
from standcam.files import read_file
from standcam.images.decoder_words import decoder_words
from standcam.images.exif_place import exif_place
from standcam.images.reduce import HALVED_FROM, reduce
from standcam.images.suffixes import SUFFIXES
from standcam.settings import PhotoSettings

if TYPE_CHECKING:
    from PIL import Image

KINDS = ("JPEG", "PNG", "TIFF", "HEIF")
"""Kinds of files that are opened, by Pillow's names. (MPO is opened as JPEG.)"""
_OTHER_KINDS = {
    b"GIF8": "GIF", b"BM": "BMP", b"%PDF": "PDF", b"%!PS": "PostScript", b"8BPS": "layered", b"PK": "zipped",
    b"RIFF": "WebP", b"<": "HTML or SVG",
}  # fmt: skip
MOST_BYTES = 500_000_000
_DRAWN_MPX = 20.0
"""Photos have 0.1 to 1 byte a pixel. Above this size and below a hundredth of a byte, a file is no photo, but made to
fill the memory. [Mpx]"""
_FEWEST_BYTES_PER_PX = 0.01
_MOST_SCANS = 100
"""A progressive JPEG has some ten; each takes as long to decode as the picture is large."""
_LONGEST_SHAPE = 3.0
"""Longer to shorter side. Phones write up to 2.33 (21 : 9)."""
_BAR_SHARE, _BAR_LEVELS = 0.005, 4
"""A bar is at least this share of the picture's height or width, and its levels differ by no more than coding does: in
photos even burnt soil and deep shadow differ by more along a whole edge."""
_STRIP_PX = 4_000_000
_LONGEST_TEXT = 100


@dataclass(frozen=True)
class Photo:
    """An upright photo in memory."""

    path: Path
    rgb: np.ndarray
    """Upright picture, uint8. (H, W, 3)"""
    sha256: str
    """Hash of the file's bytes."""
    focal_length_35mm: float | None = None
    """35 mm equivalent focal length by EXIF. [mm]"""
    camera: str = ""
    """Maker and model by EXIF."""
    taken: str = ""
    """Date and time by EXIF, as written there."""
    flags: int = 0
    place: tuple[float, float] | None = None
    """Latitude and longitude by EXIF, north and east positive, WGS 84. [degrees]"""

    @property
    def width_px(self) -> int:
        """Width of the upright photo. [px]"""
        return self.rgb.shape[1]

    @property
    def height_px(self) -> int:
        """Height of the upright photo. [px]"""
        return self.rgb.shape[0]

    @cached_property
    def half(self) -> np.ndarray:
        """The picture at half its size, made once; an odd last row or column is left out. (H // 2, W // 2, 3)"""
        h, w = self.rgb.shape[0] // 2, self.rgb.shape[1] // 2
        return cv2.resize(self.rgb[: 2 * h, : 2 * w], (w, h), interpolation=cv2.INTER_AREA)

    def reduced(self, longer_px: int) -> np.ndarray:
        """A smaller copy: :func:`standcam.images.reduce.reduce` of the picture."""
        height, width = self.rgb.shape[:2]
        # by way of the half that others need too, where that is its first step
        by_half = max(height, width) >= HALVED_FROM * longer_px and height % 2 == width % 2 == 0
        return reduce(self.half if by_half else self.rgb, longer_px)

    def flagged(self, bits: int) -> Photo:
        """The photo with further flags."""
        photo = replace(self, flags=self.flags | bits)
        if "half" in self.__dict__:
            photo.__dict__["half"] = self.half
        return photo


def read_photo(path: str | Path, settings: PhotoSettings | None = None) -> Photo:
    """Read one photo.

    Parameters
    ----------
    path : path
        JPEG, PNG, TIFF or HEIC file.
    settings : PhotoSettings, optional
        Size limit.

    Raises
    ------
    UnreadablePhoto
        Missing, empty, cut short, no picture, a panorama or screenshot, or larger than ``settings.max_megapixels``
        (half of that for files other than JPEG, which take more memory to decode).
    MemoryError
        It needs more memory than there is.
    """
    settings = settings or PhotoSettings()
    path = Path(path)
    try:
        data = read_file(path, MOST_BYTES)
    except OSError as error:
        raise UnreadablePhoto(f"{path.name} cannot be read: {error.strerror}.", "Check the path and rights.") from None
    if not data:
        raise UnreadablePhoto(f"{path.name} is empty (0 bytes).", "Copy it again from the camera.")
    image = _open(data, path, settings)
    header = _read_header(image)
    rgb, converted = _pixels(data, path, image, header.orientation)
    if bar := _bar(rgb):
        raise UnreadablePhoto(
            f"{path.name} has a bar of one colour {bar}, as screenshots have: it would count as ground without plants.",
            "Use the photo itself, as the camera wrote it.",
        )
    return Photo(
        path=path,
        rgb=rgb,
        sha256=hashlib.sha256(data).hexdigest(),
        focal_length_35mm=header.focal_length_35mm,
        camera=header.camera,
        taken=header.taken,
        flags=flags.bit("converted") if converted else 0,
        place=header.place,
    )


@dataclass(frozen=True)
class _Header:
    orientation: int = 1
    focal_length_35mm: float | None = None
    camera: str = ""
    taken: str = ""
    place: tuple[float, float] | None = None


@cache
def _know_kinds() -> None:
    # a kind that is asked for by name must have been loaded
    from PIL import JpegImagePlugin, PngImagePlugin, TiffImagePlugin  # noqa: F401
    from pillow_heif import register_heif_opener

    register_heif_opener()


def open_header(file: BinaryIO) -> Image.Image:
    """A picture of one of ``KINDS`` with its header read and no pixel decoded; its size is not judged.

    Raises
    ------
    Exception
        Of any kind: decoders raise anything on garbage.
    """
    from PIL import Image

    _know_kinds()
    limit, Image.MAX_IMAGE_PIXELS = Image.MAX_IMAGE_PIXELS, None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # odd metadata is common in photos and no concern of the user
            return Image.open(file, formats=KINDS)
    finally:
        Image.MAX_IMAGE_PIXELS = limit


def _open(data: bytes, path: Path, settings: PhotoSettings) -> Image.Image:
    """The picture with its header read, if it is one that can be counted."""
    try:
        image = open_header(io.BytesIO(data))
    except MemoryError:
        raise
    except Exception:  # decoders raise anything on garbage
        kind = next((f", but a {kind} file" for magic, kind in _OTHER_KINDS.items() if data.startswith(magic)), "")
        raise UnreadablePhoto(
            f"{path.name} is not a picture standcam can read{kind}.", f"Use {', '.join(s[1:] for s in SUFFIXES)}."
        ) from None
    if min(image.size) < 1:
        raise UnreadablePhoto(f"{path.name} has no pixels.", "Copy it again from the camera.")
    if max(image.size) > _LONGEST_SHAPE * min(image.size):
        raise UnreadablePhoto(
            f"{path.name} is a panorama or a piece of a photo ({image.width} x {image.height} pixels): "
            "the scale of its ends cannot be known.",
            "Use single photos as the camera wrote them.",
        )
    megapixels = image.width * image.height / 1e6
    claim = f"{path.name} claims {image.width} x {image.height} pixels ({megapixels:.0f} Mpx)"
    most = settings.max_megapixels * (1.0 if image.format in ("JPEG", "MPO") else 0.5)
    if megapixels > most:
        raise UnreadablePhoto(
            f"{claim}, above the limit of {most:g} Mpx.",
            "Is it an orthomosaic? Cut a photo out of it, or raise photo.max_megapixels in the survey file.",
        )
    if megapixels > _DRAWN_MPX and len(data) < _FEWEST_BYTES_PER_PX * megapixels * 1e6:
        raise UnreadablePhoto(
            f"{claim} in {len(data) / 1000:.0f} kB, which no photo does.", "Copy it again from the camera."
        )
    return image


def _read_header(image: Image.Image) -> _Header:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            exif = image.getexif()
            detail, gps = exif.get_ifd(0x8769), exif.get_ifd(0x8825)
        return _Header(
            orientation=int(_number(exif.get(0x0112)) or 1),
            focal_length_35mm=_focal_length(detail.get(0xA405)),
            camera=" ".join(filter(None, (_words(exif.get(tag)) for tag in (0x010F, 0x0110)))),
            taken=_words(detail.get(0x9003) or exif.get(0x0132)),
            place=exif_place(gps),
        )
    except Exception:  # garbled EXIF does not spoil a good picture
        return _Header()


def _number(value: object) -> float | None:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if np.isfinite(number) and number > 0 else None


def _focal_length(value: object) -> float | None:
    """Between fish-eyes and the longest lenses; anything else is a fault of the file. [mm]"""
    number = _number(value)
    return number if number is not None and 4 <= number <= 3000 else None


def _words(value: object) -> str:
    """A text of the file fit for tables and screens: one line, nothing that steers a terminal, not overlong."""
    if not value:
        return ""
    text = "".join(c if c.isprintable() else " " for c in str(value).replace("\0", "")[: 4 * _LONGEST_TEXT])
    return " ".join(text.split())[:_LONGEST_TEXT]


def _pixels(data: bytes, path: Path, image: Image.Image, orientation: int) -> tuple[np.ndarray, bool]:
    """Upright pixels, and whether depth or colour model had to be converted."""
    # MPO is a JPEG with further pictures behind the first, as many phones write it
    if image.format in ("JPEG", "MPO") and image.mode in ("RGB", "L"):
        _check_jpeg(data, path)
        try:
            with decoder_words() as words:
                rgb = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION)
        except cv2.error as error:
            if error.code == _NO_MEMORY:
                raise MemoryError from None
            rgb = None
        if rgb is None or rgb.shape[:2] != (image.height, image.width):
            raise UnreadablePhoto(f"{path.name} is a damaged JPEG.", "Copy it again from the camera.")
        if _ends_in_fill(rgb):
            raise UnreadablePhoto(f"{path.name} is a JPEG that was cut short.", "Copy it again from the camera.")
        if _is_damaged(words, data):
            raise UnreadablePhoto(
                f"{path.name} is a JPEG whose picture data are damaged: part of it shows something else.",
                "Copy it again from the camera.",
            )
        return _upright(rgb, orientation), image.mode == "L"
    converted = _is_deep(data, image) or image.mode != "RGB"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            image.load()
            # Pillow turns TIFF while loading, and pillow-heif turns HEIC, by the file's transformation properties and
            # not by EXIF as ISO/IEC 23008-12 wants; both then reset the tag. What is left of it is to be done
            orientation = _read_header(image).orientation
            if image.mode == "F" or image.mode.startswith("I"):
                return _upright(_grey_to_rgb(np.asarray(image), deep=image.mode.startswith("I")), orientation), True
            return _upright(_in_strips(image), orientation), converted
    except MemoryError:
        raise
    except Exception as error:
        reason = (str(error).strip().splitlines() or [type(error).__name__])[0].rstrip(".")
        reason = reason if reason.isprintable() else type(error).__name__
        raise UnreadablePhoto(f"{path.name} is damaged: {reason}.", "Copy it again from the camera.") from None


_NO_MEMORY = -4  # of OpenCV's error codes


def _in_strips(image: Image.Image) -> np.ndarray:
    """RGB pixels, converted a strip at a time: a whole copy in another colour model may not fit the memory."""
    rgb = np.empty((image.height, image.width, 3), np.uint8)
    step = max(1, _STRIP_PX // image.width)
    for top in range(0, image.height, step):
        strip = image.crop((0, top, image.width, min(top + step, image.height)))
        rgb[top : top + step] = np.asarray(strip if strip.mode == "RGB" else strip.convert("RGB"))
    return rgb


def _is_deep(data: bytes, image: Image.Image) -> bool:
    """Whether samples have more than 8 bits; Pillow drops the lower ones of colour pictures in silence."""
    if image.format == "PNG":
        return data[24] == 16  # bit depth in IHDR, W3C PNG specification, section 11.2.1
    if image.format == "TIFF":
        bits = image.tag_v2.get(258, 8)  # type: ignore[attr-defined]
        return max(bits) > 8 if isinstance(bits, tuple) else bits > 8
    return image.info.get("bit_depth", 8) > 8  # HEIC


def _grey_to_rgb(grey: np.ndarray, deep: bool) -> np.ndarray:
    """Grey numbers of any range as 8-bit RGB: 16-bit by its full range, floats by 0 to 1 or their largest."""
    step = max(1, _STRIP_PX // grey.shape[1])
    strips = [slice(top, top + step) for top in range(0, len(grey), step)]

    def numbers(strip: slice) -> np.ndarray:
        return np.nan_to_num(grey[strip].astype(np.float32), nan=0.0, posinf=0.0, neginf=0.0)

    largest = max(float(numbers(strip).max(initial=0.0)) for strip in strips)
    top_value = 65535.0 if deep and largest <= 65535 else max(largest, 1.0)
    rgb = np.empty((*grey.shape, 3), np.uint8)
    for strip in strips:
        rgb[strip] = (numbers(strip) / top_value * 255).clip(0, 255).astype(np.uint8)[..., None]
    return rgb


def _check_jpeg(data: bytes, path: Path) -> None:
    """Refuse a JPEG without its end marker, or with more scans than any camera writes.

    Decoders fill what is missing with grey and say nothing, and half a photo must not pass for an empty
    stand. The end marker is looked for behind the first start of scan: thumbnails lie before it, in segments
    that are stepped over; clips and depth maps that phones append lie behind the end. Within coded data the
    two bytes of the marker cannot occur (ITU-T T.81, B.1.1.5).
    """
    at, frame, parts = 2, 0, 0
    while data[at : at + 1] == b"\xff" and at + 4 <= len(data):
        marker = data[at + 1]
        if marker == 0xFF:  # fill byte
            at += 1
        elif marker == 0x01 or 0xD0 <= marker <= 0xD7:  # markers without a length
            at += 2
        elif marker == 0xDA:
            if data.rfind(b"\xff\xd9", at + 2) >= 0:
                # of a picture that is not progressive and has all colours in its first scan, decoders read no other
                single = frame in (0xC0, 0xC1) and data[at + 4 : at + 5] == bytes([parts])
                if not single and data.count(b"\xff\xda", at) > _MOST_SCANS and _scans(data, at) > _MOST_SCANS:
                    raise UnreadablePhoto(
                        f"{path.name} is a JPEG of more than {_MOST_SCANS} scans, which no camera writes.",
                        "Copy it again from the camera.",
                    )
                return
            break
        else:
            if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):  # frame header
                frame, parts = marker, (data[at + 9 : at + 10] or b"\0")[0]
            at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    raise UnreadablePhoto(f"{path.name} is a JPEG that was cut short.", "Copy it again from the camera.")


_MARKER = re.compile(rb"\xff[\x01-\xcf\xd8-\xfe]")


def _scans(data: bytes, at: int) -> int:
    """Scans from ``at``, a start of scan, to the end of the picture; no more are counted than would be too many."""
    n = 0
    while n <= _MOST_SCANS:
        n += data[at + 1] == 0xDA
        found = _MARKER.search(data, at + 2 + int.from_bytes(data[at + 2 : at + 4], "big"))
        if found is None or data[found.start() + 1] == 0xD9:
            break
        at = found.start()
    return n


def _is_damaged(words: Sequence[str], data: bytes) -> bool:
    """Whether what libjpeg said means that the decoder lost its place in the coded data, and so drew something else.

    It then meets codes that there are not, or has bytes too few or left over at the end. Left over zeros or fill bytes
    are what some cameras write before the end marker.
    """
    for said in words:
        if "bad Huffman code" in said or "premature end of data segment" in said:
            return True
        found = re.search(r": (\d+) extraneous bytes before marker 0xd9", said)
        if found and not any(
            set(data[end.start() - min(int(found[1]), 64) : end.start()]) <= {0x00, 0xFF}
            for end in re.finditer(rb"\xff\xd9", data)
        ):
            return True
    return False


def _ends_in_fill(rgb: np.ndarray) -> bool:
    """Whether the last blocks are the mid grey that the decoder puts where coded data ran out before the end marker.

    No camera writes 64 pixels of the very same grey. A picture of nothing else is left alone: a test card.
    """
    return bool((rgb[-8:, -8:] == 128).all()) and not bool((rgb[:8] == 128).all())


def _bar(rgb: np.ndarray) -> str:
    """Which edge of a picture is a bar of one colour, in words; "" if none, or if all of it is of one colour."""
    height, width = rgb.shape[:2]
    k, m = max(4, round(height * _BAR_SHARE)), max(4, round(width * _BAR_SHARE))
    edges = {"above": rgb[:k], "below": rgb[-k:], "on its left": rgb[:, :m], "on its right": rgb[:, -m:]}
    plain = [name for name, edge in edges.items() if _is_plain(edge)]
    return "" if not plain or _is_plain(rgb[::8, ::8]) else plain[0]


def _is_plain(part: np.ndarray) -> bool:
    """Whether all of it is of one colour. A few of its pixels mostly tell that it is not."""
    few = part[:: max(1, part.shape[0] // 16), :: max(1, part.shape[1] // 16)]
    return all(bool(np.ptp(some.reshape(-1, 3), axis=0).max() <= _BAR_LEVELS) for some in (few, part))


def _upright(rgb: np.ndarray, orientation: int) -> np.ndarray:
    """Apply the EXIF orientation (CIPA DC-008 Exif 2.32, tag 274)."""
    if orientation in (2, 4, 5, 7):
        rgb = cv2.flip(rgb, 1 if orientation in (2, 5, 7) else 0)
    if orientation == 3:
        return cv2.rotate(rgb, cv2.ROTATE_180)
    if orientation in (6, 7):
        return cv2.rotate(rgb, cv2.ROTATE_90_CLOCKWISE)
    if orientation in (5, 8):
        return cv2.rotate(rgb, cv2.ROTATE_90_COUNTERCLOCKWISE)
    return rgb
