"""What a phone makes of the light: blur, noise, exposure, tone, sharpening, and the file it writes."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from standcam.synthetic.camera import Camera
from standcam.synthetic.recipe import CameraRecipe, CaptureRecipe

MIDDLE_GREY = 0.17
"""Mean linear light that automatic exposure aims at."""
HELD_BACK = 0.75
"""Share of the way that automatic exposure goes: dark soil stays darker than sand."""
USUAL_LIGHT = 0.20
"""Mean light of a common scene, which is brought to middle grey."""
WHITE_LIMIT = 1.75
"""Exposure is held back so that all but the brightest 0.5 % stays below this. [1]"""
CONTRAST_GREY = np.float32(0.42)
"""Encoded grey that contrast leaves as it is. [1]"""


def exposure(linear: np.ndarray, capture: CaptureRecipe) -> float:
    """Gain that automatic exposure, and what the recipe adds to it, give to a picture. (H, W, 3)"""
    grey = linear.mean(2)
    mean = max(float(grey.mean()), 1e-6)
    gain = MIDDLE_GREY / (USUAL_LIGHT * (mean / USUAL_LIGHT) ** HELD_BACK)
    gain = min(gain, WHITE_LIMIT / max(float(np.percentile(grey, 99.5)), 1e-6))
    return gain * 2.0**capture.exposure_ev


def develop(
    linear: np.ndarray, capture: CaptureRecipe, rng: np.random.Generator, gain: float | None = None
) -> np.ndarray:
    """Linear light to an 8-bit sRGB picture, exposed for itself unless a gain is given. (H, W, 3) float -> uint8"""
    x: np.ndarray = linear.astype(np.float32)
    x = x * np.float32(exposure(x[::4, ::4], capture) if gain is None else gain)
    if capture.blur_px > 0.05:
        x = cv2.GaussianBlur(x, (0, 0), capture.blur_px)
    x *= _vignette(x.shape, capture.vignette)[..., None]
    if capture.noise > 0:
        shot = np.sqrt(np.maximum(x, 0) * MIDDLE_GREY) + 0.15 * MIDDLE_GREY
        grain = rng.standard_normal(x.shape, dtype=np.float32)
        # demosaicing and a phone's own noise filter leave grain that spans pixels
        grain = 1.3 * cv2.GaussianBlur(grain, (0, 0), 0.55)
        x += grain * shot * np.float32(capture.noise / MIDDLE_GREY * 1.5)
    x *= np.array(capture.white_balance, np.float32)
    y = _encode(_tone(np.maximum(x, 0)))
    if capture.sharpening > 0:
        y += np.float32(capture.sharpening) * (y - cv2.GaussianBlur(y, (0, 0), capture.sharpen_px))
    if capture.contrast != 1:
        y = CONTRAST_GREY + (y - CONTRAST_GREY) * np.float32(capture.contrast)
    if capture.saturation != 1:
        grey = y @ np.array([0.299, 0.587, 0.114], np.float32)
        y = grey[..., None] + (y - grey[..., None]) * np.float32(capture.saturation)
    return np.clip(y * 255 + 0.5, 0, 255).astype(np.uint8)


def _vignette(shape: tuple[int, ...], loss: float) -> np.ndarray:
    h, w = shape[:2]
    y, x = np.linspace(-1, 1, h, dtype=np.float32)[:, None], np.linspace(-1, 1, w, dtype=np.float32)[None, :]
    r2 = (x * x * w * w + y * y * h * h) / (w * w + h * h)
    return 1 - np.float32(loss) * r2 * r2 * 0.6 - np.float32(loss) * r2 * 0.4


def _tone(x: np.ndarray) -> np.ndarray:
    """Filmic tone curve, rational fit by Narkowicz (2015; from memory)."""
    x = x * np.float32(0.9)
    return np.clip(x * (2.51 * x + 0.03) / (x * (2.43 * x + 0.59) + 0.14), 0, 1)


def _encode(x: np.ndarray) -> np.ndarray:
    """The sRGB transfer curve (IEC 61966-2-1)."""
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.power(np.maximum(x, 1e-6), 1 / 2.4) - 0.055).astype(
        np.float32
    )


_STORED = {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_COUNTERCLOCKWISE, 8: cv2.ROTATE_90_CLOCKWISE}


def write_jpeg(path: Path, rgb: np.ndarray, capture: CaptureRecipe, camera: CameraRecipe | Camera) -> None:
    """JPEG with the EXIF facts a phone writes: orientation, date, focal length (35 mm equivalent)."""
    from PIL import Image
    from PIL.TiffImagePlugin import IFDRational

    stored = cv2.rotate(rgb, _STORED[capture.orientation]) if capture.orientation in _STORED else rgb
    image = Image.fromarray(stored)
    exif = image.getexif()
    exif[0x010F] = "standcam"
    exif[0x0110] = "synthetic camera"
    exif[0x0112] = capture.orientation
    exif[0x0132] = capture.taken
    detail = exif.get_ifd(0x8769)
    detail[0x9003] = capture.taken
    if isinstance(camera, CameraRecipe):
        detail[0xA405] = round(camera.focal_length_35mm)
        detail[0x920A] = IFDRational(round(camera.focal_length_35mm * 0.18 * 100), 100)
    image.save(path, quality=capture.jpeg_quality, exif=exif, subsampling=2)
