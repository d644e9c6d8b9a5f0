"""Reading a photo: upright 8-bit RGB pixels, content hash and the EXIF facts used later.

JPEG goes through OpenCV (the fastest decoder at hand); the rest, and JPEGs that OpenCV cannot take (CMYK),
through Pillow, which also knows HEIC by way of pillow-heif.
"""

from __future__ import annotations

import hashlib
import io
import warnings
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np

from standcam import flags
from standcam.errors import UnreadablePhoto
from standcam.images.suffixes import SUFFIXES
from standcam.settings import PhotoSettings

if TYPE_CHECKING:
    from PIL import Image


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

    @property
    def width_px(self) -> int:
        """Width of the upright photo. [px]"""
        return self.rgb.shape[1]

    @property
    def height_px(self) -> int:
        """Height of the upright photo. [px]"""
        return self.rgb.shape[0]


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
        Missing, empty, cut short, no picture, or larger than ``settings.max_megapixels``.
    """
    settings = settings or PhotoSettings()
    path = Path(path)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise UnreadablePhoto(
            f"{path.name} cannot be read: {error.strerror}.", "Check the path and rights."
        ) from None
    if not data:
        raise UnreadablePhoto(f"{path.name} is empty (0 bytes).", "Copy it again from the camera.")
    image = _open(data, path, settings)
    header = _read_header(image)
    rgb, converted = _pixels(data, path, image, header.orientation)
    return Photo(
        path=path,
        rgb=rgb,
        sha256=hashlib.sha256(data).hexdigest(),
        focal_length_35mm=header.focal_length_35mm,
        camera=header.camera,
        taken=header.taken,
        flags=flags.bit("converted") if converted else 0,
    )


@dataclass(frozen=True)
class _Header:
    orientation: int = 1
    focal_length_35mm: float | None = None
    camera: str = ""
    taken: str = ""


@cache
def _know_heic() -> None:
    from pillow_heif import register_heif_opener

    register_heif_opener()


def _open(data: bytes, path: Path, settings: PhotoSettings) -> Image.Image:
    """The picture with its header read and no pixel decoded."""
    from PIL import Image

    _know_heic()
    limit, Image.MAX_IMAGE_PIXELS = Image.MAX_IMAGE_PIXELS, None  # our own limit follows
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # odd metadata is common in photos and no concern of the user
            image = Image.open(io.BytesIO(data))
    except Exception:  # decoders raise anything on garbage
        raise UnreadablePhoto(
            f"{path.name} is not a picture standcam can read.", f"Use {', '.join(s[1:] for s in SUFFIXES)}."
        ) from None
    finally:
        Image.MAX_IMAGE_PIXELS = limit
    megapixels = image.width * image.height / 1e6
    if megapixels > settings.max_megapixels:
        raise UnreadablePhoto(
            f"{path.name} claims {image.width} x {image.height} pixels ({megapixels:.0f} Mpx), above the "
            f"limit of {settings.max_megapixels:g} Mpx.",
            "Is it an orthomosaic? Cut a photo out of it, or raise photo.max_megapixels in the survey file.",
        )
    return image


def _read_header(image: Image.Image) -> _Header:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            exif = image.getexif()
            detail = exif.get_ifd(0x8769)
        return _Header(
            orientation=int(_number(exif.get(0x0112)) or 1),
            focal_length_35mm=_number(detail.get(0xA405)),
            camera=" ".join(filter(None, (_words(exif.get(tag)) for tag in (0x010F, 0x0110)))),
            taken=_words(detail.get(0x9003) or exif.get(0x0132)),
        )
    except Exception:  # garbled EXIF does not spoil a good picture
        return _Header()


def _number(value: object) -> float | None:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if np.isfinite(number) and number > 0 else None


def _words(value: object) -> str:
    return str(value).replace("\0", "").strip() if value else ""


def _pixels(data: bytes, path: Path, image: Image.Image, orientation: int) -> tuple[np.ndarray, bool]:
    """Upright pixels, and whether depth or colour model had to be converted."""
    # MPO is a JPEG with further pictures behind the first, as many phones write it
    if image.format in ("JPEG", "MPO") and image.mode in ("RGB", "L"):
        _check_jpeg_end(data, path)
        rgb = cv2.imdecode(
            np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
        )
        if rgb is None or rgb.shape[:2] != (image.height, image.width):
            raise UnreadablePhoto(f"{path.name} is a damaged JPEG.", "Copy it again from the camera.")
        return _upright(rgb, orientation), image.mode == "L"
    from PIL import ImageOps

    converted = _is_deep(data, image) or image.mode != "RGB"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            image.load()
            # Pillow's own turning: it turns TIFF while loading, and pillow-heif turns HEIC, by the file's
            # transformation properties and not by EXIF as ISO/IEC 23008-12 wants; both then reset the tag
            image = ImageOps.exif_transpose(image)
            if image.mode == "F" or image.mode.startswith("I"):
                return _grey_to_rgb(np.asarray(image, np.float32), deep=image.mode.startswith("I")), True
            return np.array(image.convert("RGB")), converted
    except MemoryError:
        raise
    except Exception as error:
        reason = (str(error).strip().splitlines() or [type(error).__name__])[0].rstrip(".")
        raise UnreadablePhoto(
            f"{path.name} is damaged: {reason}.", "Copy it again from the camera."
        ) from None


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
    grey = np.nan_to_num(grey, nan=0.0, posinf=0.0, neginf=0.0)
    largest = float(grey.max(initial=0.0))
    top = 65535.0 if deep and largest <= 65535 else max(largest, 1.0)
    return np.repeat((grey / top * 255).clip(0, 255).astype(np.uint8)[..., None], 3, axis=2)


def _check_jpeg_end(data: bytes, path: Path) -> None:
    """Refuse a JPEG without its end marker.

    Decoders fill what is missing with grey and say nothing, and half a photo must not pass for an empty
    stand. The end marker is looked for behind the first start of scan: thumbnails lie before it, in segments
    that are stepped over; clips and depth maps that phones append lie behind the end. Within coded data the
    two bytes of the marker cannot occur (ITU-T T.81, B.1.1.5).
    """
    at = 2
    while data[at : at + 1] == b"\xff" and at + 4 <= len(data):
        marker = data[at + 1]
        if marker == 0xFF:  # fill byte
            at += 1
        elif marker == 0x01 or 0xD0 <= marker <= 0xD7:  # markers without a length
            at += 2
        elif marker == 0xDA:
            if data.rfind(b"\xff\xd9", at + 2) >= 0:
                return
            break
        else:
            at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    raise UnreadablePhoto(f"{path.name} is a JPEG that was cut short.", "Copy it again from the camera.")


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
