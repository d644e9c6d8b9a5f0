"""Lens profiles: radial distortion, applied to points, never to whole pictures."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from standcam.errors import BadSettings
from standcam.files import read_toml

_NEWTON_STEPS = 60
_NEWTON_END = 1e-13
"""Relative error of the radius at which the iteration ends: far below a millionth of a pixel."""


@dataclass(frozen=True)
class LensProfile:
    """Focal length and radial distortion of one camera and lens, in units of the picture's longer side.

    Being relative, a profile serves every resolution the camera writes at the same crop. Distortion follows
    ``x_d = x_u (1 + k1 r_u² + k2 r_u⁴)`` with coordinates normalised by the focal length about the principal
    point, OpenCV's radial model (Brown 1966; OpenCV documentation, "Camera Calibration and 3D
    Reconstruction").
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
        """Camera matrix for a picture of this size. (3, 3) [px]

        An upright portrait picture is taken to be the landscape one turned a quarter clockwise, as phones
        held upright write it (Exif orientation 6). Held the other way, the principal point comes out
        mirrored: an error of twice its distance from the middle.
        """
        longer = max(width_px, height_px)
        cx, cy = self.centre if width_px >= height_px else (1 - self.centre[1], self.centre[0])
        # pixel centres at integers: the middle of a picture of width w lies at (w - 1) / 2
        return np.array(
            [
                [self.focal * longer, 0, cx * width_px - 0.5],
                [0, self.focal * longer, cy * height_px - 0.5],
                [0, 0, 1.0],
            ]
        )

    @property
    def reach(self) -> tuple[float, float]:
        """Radius at which the radial model turns back, undistorted and distorted; nothing lies beyond. [1]

        In focal lengths: the smallest positive root of ``1 + 3 k1 r² + 5 k2 r⁴``, infinite without one.
        """
        inside = 9 * self.k1**2 - 20 * self.k2
        # the quadratic in r², solved for 2 / r²: no division by a k2 of zero
        twice_inverse = -3 * self.k1 + math.sqrt(inside) if inside >= 0 else 0.0
        if twice_inverse < 1e-9:
            return math.inf, math.inf
        r2 = 2 / twice_inverse
        return r2**0.5, r2**0.5 * (1 + self.k1 * r2 + self.k2 * r2**2)

    def undistort(self, points_px: np.ndarray, width_px: int, height_px: int) -> np.ndarray:
        """Where points would lie without distortion; NaN beyond :attr:`reach`. (n, 2) [px] -> (n, 2) [px]"""
        points = np.asarray(points_px, float).reshape(-1, 2)
        if not (self.k1 or self.k2):
            return points.copy()
        K = self.matrix(width_px, height_px)
        middle, f = K[:2, 2], K[0, 0]
        offset = points - middle
        target = np.hypot(offset[:, 0], offset[:, 1]) / f
        turn, limit = self.reach
        target = np.where(target < limit, target, np.nan)
        # Newton's iteration on the radius. It is kept below the turn, where the model's slope is positive.
        r = np.minimum(target, 0.999 * turn)
        for _ in range(_NEWTON_STEPS):
            r2 = r * r
            error = r * (1 + self.k1 * r2 + self.k2 * r2**2) - target
            if not (np.abs(error) > _NEWTON_END * (1 + target)).any():
                break
            # before the turn the slope is positive; the floor only guards its very edge
            step = error / np.maximum(1 + 3 * self.k1 * r2 + 5 * self.k2 * r2**2, 1e-6)
            r = np.where(r - step > 0, np.minimum(r - step, (r + turn) / 2), r / 2)
        return offset * (r / np.where(target > 0, target, 1.0))[:, None] + middle

    def distort(self, points_px: np.ndarray, width_px: int, height_px: int) -> np.ndarray:
        """Inverse of :meth:`undistort`; NaN beyond :attr:`reach`. (n, 2) [px] -> (n, 2) [px]"""
        points = np.asarray(points_px, float).reshape(-1, 2)
        if not (self.k1 or self.k2):
            return points.copy()
        K = self.matrix(width_px, height_px)
        middle, f = K[:2, 2], K[0, 0]
        u = (points - middle) / f
        r2 = (u**2).sum(1, keepdims=True)
        r2 = np.where(r2 < self.reach[0] ** 2, r2, np.nan)
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
        data = read_toml(path)["lens"]
        profile = LensProfile(
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
    except (KeyError, ValueError, IndexError, TypeError, OverflowError, tomllib.TOMLDecodeError) as error:
        raise BadSettings(
            f"Lens profile {path} lacks or garbles {error}.", "Make it anew with `standcam lens`."
        ) from None
    numbers = [profile.focal, *profile.centre, profile.k1, profile.k2]
    if not (np.isfinite(numbers).all() and profile.focal > 0 and 0 < min(profile.centre) <= max(profile.centre) < 1):
        raise BadSettings(
            f"Lens profile {path} describes no lens: focal {profile.focal:g}, centre {profile.centre}.",
            "focal is above 0 and centre between 0 and 1; make it anew with `standcam lens`.",
        )
    return profile


def lens_toml(profile: LensProfile, comments: Sequence[str] = ()) -> str:
    """TOML text of a lens profile, for :func:`read_lens`; ``comments`` go on top, a line each."""
    quoted = profile.name.replace("\\", "\\\\").replace('"', '\\"')
    return "\n".join(
        [
            *(f"# {line}" for line in comments),
            "[lens]",
            f'name = "{quoted}"',
            "# focal length / longer side of the picture",
            f"focal = {profile.focal:.6f}",
            "# principal point / width and / height of the picture held landscape",
            f"centre = [{profile.centre[0]:.6f}, {profile.centre[1]:.6f}]",
            "# radial distortion, x_d = x_u (1 + k1 r^2 + k2 r^4), r from the centre in focal lengths",
            f"k1 = {profile.k1:.6f}",
            f"k2 = {profile.k2:.6f}",
            "# root mean square distance between pattern corners as found and as this profile puts them",
            f"residual_px = {profile.residual_px:.3f}",
            "# day the photos were taken, or else of the measurement",
            f'date = "{profile.date}"',
            "",
        ]
    )
