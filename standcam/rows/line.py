"""A row line on the ground: straight or gently bent."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np


@dataclass(frozen=True)
class RowLine:
    """A row as a parabola in the ground frame, which serves gentle bends.

    Position runs along the chord ``direction`` from ``origin_cm``; offset is the distance from the curve, to the
    right of the direction of travel positive.
    """

    origin_cm: tuple[float, float]
    direction: tuple[float, float]
    """Unit vector along the row."""
    bend_per_cm: float = 0.0
    """Offset of the curve is ``bend * position²``. [1/cm]"""
    from_cm: float = 0.0
    """Begin of the measured stretch, as position. [cm]"""
    to_cm: float = 0.0
    """End of the measured stretch, as position. [cm]"""
    sd_cm: float = float("nan")
    """Scatter of the plants about the line. [cm]"""
    flags: int = 0

    def _chord(self, points_cm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        v = np.asarray(points_cm, float).reshape(-1, 2) - self.origin_cm
        d = np.asarray(self.direction)
        return v @ d, v @ np.array([d[1], -d[0]])

    def position(self, points_cm: np.ndarray) -> np.ndarray:
        """Place along the row. (n, 2) [cm] -> (n,) [cm]

        For the bends allowed (a few cm in some metres) chord and arc differ by less than 0.1 %; arc length is
        given, by the first term of its series.
        """
        u, _ = self._chord(points_cm)
        return u + (2 / 3) * self.bend_per_cm**2 * u**3

    def offset(self, points_cm: np.ndarray) -> np.ndarray:
        """Distance across the row, right positive. (n, 2) [cm] -> (n,) [cm]"""
        u, v = self._chord(points_cm)
        return v - self.bend_per_cm * u**2

    def points(self, position_cm: np.ndarray | float) -> np.ndarray:
        """Ground points on the line at positions. (n,) [cm] -> (n, 2) [cm]"""
        s = np.atleast_1d(np.asarray(position_cm, float))
        u = s - (2 / 3) * self.bend_per_cm**2 * s**3
        d = np.asarray(self.direction)
        return (
            np.asarray(self.origin_cm) + u[:, None] * d + (self.bend_per_cm * u**2)[:, None] * np.array([d[1], -d[0]])
        )

    @property
    def length_cm(self) -> float:
        """Length of the measured stretch. [cm]"""
        return max(self.to_cm - self.from_cm, 0.0)

    @property
    def middle_cm(self) -> np.ndarray:
        """Ground point half way along the measured stretch. (2,) [cm]"""
        return self.points((self.from_cm + self.to_cm) / 2)[0]

    def turned_round(self) -> RowLine:
        """The same line run through from its other end."""
        return replace(
            self,
            direction=(-self.direction[0], -self.direction[1]),
            bend_per_cm=-self.bend_per_cm,
            from_cm=-self.to_cm,
            to_cm=-self.from_cm,
        )


def distances_cm(rows: Sequence[RowLine]) -> list[float]:
    """From each row to the next beside it, half way along their measured stretches, from one side to the other. [cm]"""
    if len(rows) < 2:
        return []
    middles = np.array([row.middle_cm for row in rows])
    order = np.argsort(rows[0].offset(middles), kind="stable")
    return [abs(float(rows[a].offset(middles[b])[0])) for a, b in pairwise(order.tolist())]
