"""Strips too coarse for stems: length of row, and stretches of row without green.

No plant is counted there, so there is no spacing and no population: these numbers are missing, not zero.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from standcam import tables
from standcam.settings import SpacingSettings
from standcam.spacing.nominal import Nominal
from standcam.summarise import Summary

STATUS, KIND = "no_stems", "bare"
"""Of rows and plots, and of their gaps."""


def coarse_summary(
    green: pd.DataFrame, stretches: pd.DataFrame, bare_cm: float, spacing: SpacingSettings | None = None
) -> Summary:
    """Bare stretches of row, and how much row there is.

    Parameters
    ----------
    green : DataFrame
        Squares of green on stretches: plot, row, position_cm.
    stretches : DataFrame
        STRETCHES.
    bare_cm : float
        Stretches without green longer than this are listed. [cm]
    spacing : SpacingSettings, optional
        For the row width.
    """
    spacing = spacing or SpacingSettings()
    length = (stretches["to_cm"] - stretches["from_cm"]).to_numpy(float)
    measured = (stretches["status"] != "no_row").to_numpy()
    status = np.where(measured, STATUS, "no_row")
    rows = stretches[["photo", "plot", "row", "from_x_px", "from_y_px", "to_x_px", "to_y_px", "flags"]].assign(
        row_length_cm=length,
        plants=0,
        row_width_cm=np.nan if spacing.row_width_cm is None else spacing.row_width_cm,
        status=pd.Series(status, index=stretches.index, dtype="str"),
    )
    plots = rows.groupby("plot", sort=False, as_index=False).agg(
        rows=("row_length_cm", "count"), row_length_cm=("row_length_cm", "sum")
    )
    held = set(rows.loc[measured, "plot"])
    plots = plots.assign(
        plants=0, status=[STATUS if name in held else "no_row" for name in plots["plot"]], rows_left_out=0
    )
    return Summary(
        gaps=_bare(green, stretches[measured], bare_cm),
        rows=tables.conform(tables.ROWS, rows),
        plots=tables.conform(tables.PLOTS, plots),
        nominal=Nominal(float("nan"), "unknown"),
        notes=("No plant was counted: plants are 0 because none was sought, and population and spacing are missing.",),
    )


def _bare(green: pd.DataFrame, stretches: pd.DataFrame, bare_cm: float) -> pd.DataFrame:
    """GAPS between neighbouring squares of green, and from the ends of each stretch."""
    place = {key: np.sort(part["position_cm"].to_numpy(float)) for key, part in green.groupby(["plot", "row"])}
    lines = []
    for photo, plot, row, from_cm, to_cm in zip(
        *(stretches[name] for name in ("photo", "plot", "row", "from_cm", "to_cm")), strict=True
    ):
        at = np.concatenate([[from_cm], place.get((plot, row), np.empty(0)), [to_cm]])
        gap = np.diff(at)
        for k in np.flatnonzero(gap > bare_cm):
            lines.append((photo, plot, row, at[k], gap[k], KIND))
    frame = pd.DataFrame(lines, columns=["photo", "plot", "row", "from_cm", "gap_cm", "kind"])
    return tables.conform(tables.GAPS, frame)
