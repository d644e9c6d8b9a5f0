"""Lens profiles: radial distortion, applied to points, never to whole pictures."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from standcam.errors import BadSettings


@dataclass(frozen=True)
class LensProfile:
    """Focal length and radial distortion of one camera and lens, in units of the picture's longer side.

    Being relative, a profile serves every resolution the camera writes at the same crop. Distortion follows
    ``x_d = x_u (1 + k1 r_u² + k2 r_u⁴)`` with coordinates normalised by the focal length about the principal
    point, OpenCV's radial model (Brown 1966; OpenCV documentation, "Camera Calibration and 3D Reconstruction").
    """

    focal: float
    """Focal length / longer side of the picture. [1]"""
    centre: tuple[float, float] = (0.5, 0.5)
    """Principal point / width and height, of the upright landscape picture. [1]"""
    k1: float = 0.0
    k2: float = 0.0
    name: str = ""
    residual_px: float = float("nan")
    """Root mean square reprojection error of the measurement. [px]"""
    date: str = ""

    def matrix(self, width_px: int, height_px: int) -> np.ndarray:
        """Camera matrix for a picture of this size. (3, 3) [px]"""
        longer = max(width_px, height_px)
        cx, cy = self.centre if width_px >= height_px else self.centre[::-1]
        # pixel centres at integers: the middle of a picture of width w lies at (w - 1) / 2
        return np.array(
            [
                [self.focal * longer, 0, cx * width_px - 0.5],
                [0, self.focal * longer, cy * height_px - 0.5],
                [0, 0, 1.0],
            ]
        )

    def undistort(self, points_px: np.ndarray, width_px: int, height_px: int) -> np.ndarray:
        """Where points would lie without distortion. (n, 2) [px] -> (n, 2) [px]"""
        points = np.asarray(points_px, float).reshape(-1, 2)
        if not (self.k1 or self.k2):
            return points.copy()
        K = self.matrix(width_px, height_px)
        middle, f = K[:2, 2], K[0, 0]
        distorted = (points - middle) / f
        u = distorted.copy()
        for _ in range(20):  # fixed-point iteration; converges for |k1| r² well under 1, as phones have
            r2 = (u**2).sum(1, keepdims=True)
            u = distorted / (1 + self.k1 * r2 + self.k2 * r2**2)
        return u * f + middle

    def distort(self, points_px: np.ndarray, width_px: int, height_px: int) -> np.ndarray:
        """Inverse of :meth:`undistort`. (n, 2) [px] -> (n, 2) [px]"""
        points = np.asarray(points_px, float).reshape(-1, 2)
        if not (self.k1 or self.k2):
            return points.copy()
        K = self.matrix(width_px, height_px)
        middle, f = K[:2, 2], K[0, 0]
        u = (points - middle) / f
        r2 = (u**2).sum(1, keepdims=True)
        return u * (1 + self.k1 * r2 + self.k2 * r2**2) * f + middle


def read_lens(path: str | Path) -> LensProfile:
    """Lens profile from a TOML file as written by ``standcam lens``.

    Raises
    ------
    BadSettings
        The file is missing or lacks the needed numbers.
    """
    path = Path(path)
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))["lens"]
        return LensProfile(
            focal=float(data["focal"]),
            centre=(float(data["centre"][0]), float(data["centre"][1])),
            k1=float(data["k1"]),
            k2=float(data["k2"]),
            name=str(data.get("name", path.stem)),
            residual_px=float(data.get("residual_px", "nan")),
            date=str(data.get("date", "")),
        )
    except OSError as error:
        raise BadSettings(f"Lens profile {path} cannot be read: {error.strerror}.", "Check the path.") from None
    except (KeyError, ValueError, IndexError, TypeError, tomllib.TOMLDecodeError) as error:
        raise BadSettings(
            f"Lens profile {path} lacks or garbles {error}.", "Make it anew with `standcam lens`."
        ) from None
