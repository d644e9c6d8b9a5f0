"""Reading a photo: upright 8-bit RGB pixels, content hash and the EXIF facts used later.

JPEG goes through OpenCV (the fastest decoder at hand); the rest, and JPEGs that OpenCV cannot take (CMYK), through
Pillow, which also knows HEIC by way of pillow-heif.
"""

from __future__ import annotations

import hashlib
import io
import warnings
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from standcam import flags
from standcam.errors import UnreadablePhoto
from standcam.images.suffixes import SUFFIXES
from standcam.settings import PhotoSettings


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
        raise UnreadablePhoto(f"{path.name} cannot be read: {error.strerror}.", "Check the path and rights.") from None
    if not data:
        raise UnreadablePhoto(f"{path.name} is empty (0 bytes).", "Copy it again from the camera.")
    header = _read_header(data, path, settings)
    rgb, converted = _pixels(data, path, header)
    return Photo(
        path=path,
        rgb=_upright(rgb, header.orientation),
        sha256=hashlib.sha256(data).hexdigest(),
        focal_length_35mm=header.focal_length_35mm,
        camera=header.camera,
        taken=header.taken,
        flags=flags.bit("converted") if converted else 0,
    )


@dataclass(frozen=True)
class _Header:
    format: str
    mode: str
    orientation: int
    focal_length_35mm: float | None
    camera: str
    taken: str


def _open(data: bytes):
    from PIL import Image
    from pillow_heif import register_heif_opener

    register_heif_opener()
    Image.MAX_IMAGE_PIXELS = None  # the size is checked by ourselves, before any pixel is decoded
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # odd EXIF is common in photos and no concern of the user
        return Image.open(io.BytesIO(data))


def _read_header(data: bytes, path: Path, settings: PhotoSettings) -> _Header:
    try:
        image = _open(data)
    except Exception:
        raise UnreadablePhoto(
            f"{path.name} is not a picture standcam can read.", f"Use {', '.join(s[1:] for s in SUFFIXES)}."
        ) from None
    megapixels = image.width * image.height / 1e6
    if megapixels > settings.max_megapixels:
        raise UnreadablePhoto(
            f"{path.name} claims {image.width} x {image.height} pixels ({megapixels:.0f} Mpx), above the limit of "
            f"{settings.max_megapixels:.0f} Mpx.",
            "Is it an orthomosaic? Cut a photo out of it, or raise photo.max_megapixels in the survey file.",
        )
    try:
        exif = image.getexif()
        detail = exif.get_ifd(0x8769)
        focal = _number(detail.get(0xA405))
        return _Header(
            format=str(image.format),
            mode=image.mode,
            # pillow-heif turns HEIC pixels upright by itself and resets the tag
            orientation=int(_number(exif.get(0x0112)) or 1),
            focal_length_35mm=focal if focal else None,
            camera=" ".join(str(exif.get(tag, "")).strip("\0 ") for tag in (0x010F, 0x0110)).strip(),
            taken=str(detail.get(0x9003, exif.get(0x0132, ""))).strip("\0 "),
        )
    except Exception:  # garbled EXIF does not spoil a good picture
        return _Header(str(image.format), image.mode, 1, None, "", "")


def _number(value: object) -> float | None:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if np.isfinite(number) and number > 0 else None


def _pixels(data: bytes, path: Path, header: _Header) -> tuple[np.ndarray, bool]:
    """Pixels as stored, not yet upright, and whether the colour model had to be converted."""
    if header.format == "JPEG" and header.mode in ("RGB", "L"):
        _check_jpeg_end(data, path)
        bgr = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION)
        if bgr is None:
            raise UnreadablePhoto(f"{path.name} is a damaged JPEG.", "Copy it again from the camera.")
        return bgr, header.mode == "L"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            image = _open(data)
            image.load()
            if image.mode.startswith("I") or image.mode == "F":
                grey = np.asarray(image, np.float64)
                top = 65535.0 if image.mode.startswith("I;16") or grey.max() > 255 else 255.0
                return np.repeat((grey / top * 255).clip(0, 255).astype(np.uint8)[..., None], 3, axis=2), True
            converted = image.mode != "RGB"
            return np.ascontiguousarray(np.asarray(image.convert("RGB"))), converted
    except Exception as pillow_error:
        wide = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
        if wide is not None and wide.dtype == np.uint16 and wide.ndim == 3:
            return np.ascontiguousarray((wide[..., 2::-1] >> 8).astype(np.uint8)), True
        raise UnreadablePhoto(
            f"{path.name} is damaged: {str(pillow_error).rstrip('.')}.", "Copy it again from the camera."
        ) from None


def _check_jpeg_end(data: bytes, path: Path) -> None:
    # decoders fill a cut JPEG with grey and say nothing; half a photo must not pass for an empty stand.
    # Some phones append data after the end marker, so it is looked for anywhere behind the last start of scan.
    scan = data.rfind(b"\xff\xda")
    if scan < 0 or data.find(b"\xff\xd9", scan) < 0:
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
