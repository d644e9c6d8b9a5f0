"""A row of a strip on the ground: a smooth curve, kept as a fine polyline."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np

_STEPS = 4
"""Times a point is dropped on the line of the segment found last: bends of rows are wide beside the distances asked."""


@dataclass(frozen=True, eq=False)
class CurvedRow:
    """The centre line of a row that may bend, with the same conventions as :class:`standcam.rows.line.RowLine`.

    Position is arc length from the first vertex; beyond either end the line runs on straight. Offset is the distance
    from the line, to the right of the direction of travel positive.
    """

    vertices_cm: np.ndarray = field(repr=False)
    """Points of the line in the direction of travel, some 50 cm apart: between them the true curve of a row that turns
    in 20 m lies within 2 mm. (m, 2) [cm]"""
    from_cm: float = 0.0
    """Begin of the measured stretch, as position. [cm]"""
    to_cm: float = 0.0
    """End of the measured stretch, as position. [cm]"""
    sd_cm: float = float("nan")
    """Scatter of the plants about the line. [cm]"""
    flags: int = 0

    def __post_init__(self) -> None:
        vertices = np.asarray(self.vertices_cm, float)
        if vertices.ndim != 2 or vertices.shape[1] != 2 or len(vertices) < 2:
            raise ValueError(f"A line needs two vertices or more, (m, 2); got shape {vertices.shape}.")
        if not (np.linalg.norm(np.diff(vertices, axis=0), axis=1) > 0).all():
            raise ValueError("Neighbouring vertices of a line must differ.")
        object.__setattr__(self, "vertices_cm", vertices)

    @cached_property
    def _pieces(self) -> tuple[np.ndarray, np.ndarray]:
        """Unit vector of each segment, (m - 1, 2), and position of each vertex, (m,) [cm]."""
        steps = np.diff(self.vertices_cm, axis=0)
        lengths = np.linalg.norm(steps, axis=1)
        return steps / lengths[:, None], np.r_[0.0, np.cumsum(lengths)]

    def place(self, points_cm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Position and offset of points. (n, 2) [cm] -> (n,), (n,) [cm]"""
        points = np.asarray(points_cm, float).reshape(-1, 2)
        along, at = self._pieces
        chord = self.vertices_cm[-1] - self.vertices_cm[0]
        chord /= np.linalg.norm(chord)
        run = np.maximum.accumulate((self.vertices_cm - self.vertices_cm[0]) @ chord)
        position = np.interp((points - self.vertices_cm[0]) @ chord, run, at)
        last = len(along) - 1
        for _ in range(_STEPS):
            k = np.clip(np.searchsorted(at, position, side="right") - 1, 0, last)
            off = points - self.vertices_cm[k]
            before, position = position, at[k] + np.einsum("ij,ij->i", off, along[k])
            if np.abs(position - before).max(initial=0.0) < 1e-9:
                break
        return position, off[:, 0] * along[k, 1] - off[:, 1] * along[k, 0]

    def position(self, points_cm: np.ndarray) -> np.ndarray:
        """Place along the row. (n, 2) [cm] -> (n,) [cm]"""
        return self.place(points_cm)[0]

    def offset(self, points_cm: np.ndarray) -> np.ndarray:
        """Distance across the row, right positive. (n, 2) [cm] -> (n,) [cm]"""
        return self.place(points_cm)[1]

    def points(self, position_cm: np.ndarray | float) -> np.ndarray:
        """Ground points on the line at positions. (n,) [cm] -> (n, 2) [cm]"""
        s = np.atleast_1d(np.asarray(position_cm, float))
        along, at = self._pieces
        k = np.clip(np.searchsorted(at, s, side="right") - 1, 0, len(along) - 1)
        return self.vertices_cm[k] + (s - at[k])[:, None] * along[k]

    def direction_at(self, position_cm: np.ndarray | float) -> np.ndarray:
        """Unit vectors along the line at positions. (n,) [cm] -> (n, 2)"""
        s = np.atleast_1d(np.asarray(position_cm, float))
        along, at = self._pieces
        return along[np.clip(np.searchsorted(at, s, side="right") - 1, 0, len(along) - 1)]

    @property
    def length_cm(self) -> float:
        """Length of the measured stretch. [cm]"""
        return max(self.to_cm - self.from_cm, 0.0)

    def turned_round(self) -> CurvedRow:
        """The same line run through from its other end."""
        whole = float(self._pieces[1][-1])
        return replace(self, vertices_cm=self.vertices_cm[::-1], from_cm=whole - self.to_cm, to_cm=whole - self.from_cm)

    def to_dict(self) -> dict[str, Any]:
        """Plain lists and numbers, vertices to a hundredth of a millimetre."""
        return {
            "vertices_cm": np.round(self.vertices_cm, 3).tolist(),
            "from_cm": float(self.from_cm),
            "to_cm": float(self.to_cm),
            "sd_cm": float(self.sd_cm),
            "flags": int(self.flags),
        }

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> CurvedRow:
        """The row of which :meth:`to_dict` told."""
        return cls(
            np.asarray(data["vertices_cm"], float),
            float(data["from_cm"]),
            float(data["to_cm"]),
            float(data["sd_cm"]),
            int(data["flags"]),
        )
