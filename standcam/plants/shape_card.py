"""Scoring cards: sums of points for measures, which give the logarithm of the odds. No network, but a table."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path

import numpy as np

from standcam.errors import BadSettings


@dataclass(frozen=True)
class Card:
    """Points of measures, each cut to its usual span and read along a line with one bend."""

    names: tuple[str, ...]
    """Measures, in the order of the columns that are given."""
    low: np.ndarray
    bend: np.ndarray
    high: np.ndarray
    """Ends of the span and the bend. (m,)"""
    base: float
    rise: np.ndarray
    """Points over the whole span. (m,)"""
    more: np.ndarray
    """Points above the bend, over a length of the span. (m,)"""
    turners: tuple[str, ...] = ()
    """Measures with which the points of others change."""
    turn: np.ndarray | None = None
    """Points for the product of a measure and a turner, both over their spans. (m, number of turners)"""

    def terms(self, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Measures over their spans, 0 to 1, and what exceeds the bend. (n, m) each"""
        span = np.maximum(self.high - self.low, 1e-6)
        cut = np.clip(values, self.low, self.high)
        return (cut - self.low) / span, np.maximum(cut - self.bend, 0) / span

    def logit(self, values: np.ndarray) -> np.ndarray:
        """Sum of points. (n, m) -> (n,)"""
        whole, above = self.terms(values)
        points = self.base + whole @ self.rise + above @ self.more
        if self.turn is not None:
            turners = whole[:, [self.names.index(name) for name in self.turners]]
            points = points + ((whole @ self.turn) * turners).sum(axis=1)
        return points

    def probability(self, values: np.ndarray) -> np.ndarray:
        """(n, m) -> (n,)"""
        return 1 / (1 + np.exp(-np.clip(self.logit(values), -50, 50)))

    def to_dict(self) -> dict:
        """Plain values, one line a measure."""
        points = {
            name: [float(f"{v:.4g}") for v in (low, bend, high, rise, more, *turn)]
            for name, low, bend, high, rise, more, turn in zip(
                self.names,
                self.low,
                self.bend,
                self.high,
                self.rise,
                self.more,
                np.zeros((len(self.names), 0)) if self.turn is None else self.turn,
                strict=True,
            )
        }
        return {"base": round(self.base, 4), "turners": list(self.turners), "points": points}

    @staticmethod
    def from_dict(data: dict) -> Card:
        """Of ``to_dict``."""
        table = np.array(list(data["points"].values()), float)
        turners = tuple(data["turners"])
        return Card(
            tuple(data["points"]),
            table[:, 0],
            table[:, 1],
            table[:, 2],
            data["base"],
            table[:, 3],
            table[:, 4],
            turners,
            table[:, 5:] if turners else None,
        )


@dataclass(frozen=True)
class Cards:
    """All constants of the locator by shape."""

    places: Card
    """Of a stem at a place."""
    peaks: Card
    """Of a crop stem at a peak."""
    weeds: Card
    """Of a weed at a peak."""
    base: tuple[float, ...]
    """Way from a place to the base along the lean: constant, and for each of ``BASE_MEASURES``. [cm]"""
    variance: tuple[float, float, float]
    """Error of a base along one axis: constant, for each (cm/cm)² of lean, and for each cm² of typical plant. [cm²]"""
    calibration: tuple[float, float, float, float]
    """See ``stems.calibrated``."""

    def write(self, path: Path) -> None:
        """As JSON."""
        data = {
            "places": self.places.to_dict(),
            "peaks": self.peaks.to_dict(),
            "weeds": self.weeds.to_dict(),
            "base": [round(v, 4) for v in self.base],
            "variance": [round(v, 5) for v in self.variance],
            "calibration": [round(v, 3) for v in self.calibration],
        }
        text = json.dumps(data, indent=1)
        # one line a list
        path.write_text(_short_lists(text), encoding="utf-8")


def _short_lists(text: str) -> str:
    import re

    return re.sub(r"\[[^\[\]{}]*\]", lambda m: re.sub(r"\s+", " ", m.group()), text) + "\n"


@cache
def cards_of(name: str) -> Cards:
    """Cards that ship with the package, or of a JSON file written by ``standcam.training.shape``.

    Raises
    ------
    BadSettings
        The file is not there or is no such table.
    """
    path = files("standcam.plants") / "weights" / f"{name}.json" if "." not in name else Path(name)
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        return Cards(
            Card.from_dict(data["places"]),
            Card.from_dict(data["peaks"]),
            Card.from_dict(data["weeds"]),
            tuple(data["base"]),
            tuple(data["variance"]),
            tuple(data["calibration"]),
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise BadSettings(
            f"stems.card {name!r} cannot be read: {error}.",
            "Name one made by standcam.training.shape.",
        ) from None
