"""Ground map and row lines of a photo in plain numbers, as run.json keeps them, and back."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from standcam.ground.lens import LensProfile
from standcam.ground.map import GroundMap
from standcam.rows.line import RowLine


def geometry_of(ground: GroundMap, rows: Sequence[RowLine]) -> dict[str, Any]:
    """Record of a ground map and of rows on it: :func:`geometry_from` takes them back."""
    lens = ground.lens
    return {
        "ground_from_px": ground.ground_from_px.tolist(),
        "lens": None
        if lens is None
        else {"focal": lens.focal, "centre": list(lens.centre), "k1": lens.k1, "k2": lens.k2},
        "rows": [
            {
                "origin_cm": [float(v) for v in row.origin_cm],
                "direction": [float(v) for v in row.direction],
                "bend_per_cm": float(row.bend_per_cm),
                "from_cm": float(row.from_cm),
                "to_cm": float(row.to_cm),
            }
            for row in rows
        ],
    }


def geometry_from(record: dict[str, Any]) -> tuple[GroundMap, tuple[RowLine, ...]]:
    """Ground map and row lines of one photo from its record in run.json.

    Raises
    ------
    KeyError, TypeError, ValueError
        The record holds none, as those of earlier versions, or is damaged.
    """
    kept = record["geometry"]
    matrix = np.array(kept["ground_from_px"], float)
    if matrix.shape != (3, 3) or not np.isfinite(matrix).all() or abs(np.linalg.det(matrix)) < 1e-300:
        raise ValueError("the ground map is no map")
    lens = kept["lens"]
    profile = lens and LensProfile(
        float(lens["focal"]), (float(lens["centre"][0]), float(lens["centre"][1])), float(lens["k1"]), float(lens["k2"])
    )
    ground = GroundMap(
        matrix, int(record["width_px"]), int(record["height_px"]), str(record["scale_method"]), lens=profile
    )
    rows = tuple(
        RowLine(
            (float(r["origin_cm"][0]), float(r["origin_cm"][1])),
            (float(r["direction"][0]), float(r["direction"][1])),
            bend_per_cm=float(r["bend_per_cm"]),
            from_cm=float(r["from_cm"]),
            to_cm=float(r["to_cm"]),
        )
        for r in kept["rows"]
    )
    return ground, rows
