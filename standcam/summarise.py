"""The lower half as one function: positions along rows become gaps, row summaries and plot summaries."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from standcam import flags, tables
from standcam.settings import SpacingSettings
from standcam.spacing import metrics
from standcam.spacing.nominal import Nominal, theoretical_spacing
from standcam.units import M2_PER_HA

_CM2_PER_HA = M2_PER_HA * 1e4
_NO_LENGTH_CM = 1e-6  # a stretch as short as the noise of numbers has no population


@dataclass(frozen=True)
class Summary:
    """What positions say about a stand."""

    gaps: pd.DataFrame
    """GAPS, open ends included."""
    rows: pd.DataFrame
    """ROWS: one line a measured stretch, in the order of the stretches."""
    plots: pd.DataFrame
    """PLOTS, in the order of their first stretch."""
    nominal: Nominal
    """Theoretical spacing that the classes were taken against."""


def summarise(
    positions: pd.DataFrame, stretches: pd.DataFrame, spacing: SpacingSettings | None = None
) -> Summary:
    """Spacing and population of every row and plot, from photos and hand tapes alike.

    Every stretch appears in the rows: without plants its status is "empty" (0 plants per ha is a result),
    without scale or row it has a count and no centimetres. Positions decide the number of plants wherever
    there is a scale; the count of the stretch serves elsewhere. Plants beyond the ends of their stretch are
    not counted, for the length they stand on was not measured, and the row says so in a flag.

    Population is ``plants / (row length x row width)``, the row length being what was measured and not the
    span of the plants. A plot takes the plants and lengths of those of its rows that have a length; mean, SD
    and shares are over all gaps of the plot, so that each gap counts once. Shares are the share of spacings
    (form A, see :mod:`standcam.spacing.metrics`).

    Parameters
    ----------
    positions : DataFrame
        POSITIONS, in any order.
    stretches : DataFrame
        STRETCHES.
    spacing : SpacingSettings, optional
        What the planter was set to, as far as known, and the row width.

    Raises
    ------
    BadTable
        A table lacks columns, a position belongs to no stretch, or two stretches have one name.
    """
    spacing = spacing or SpacingSettings()
    positions = tables.conform(tables.POSITIONS, positions)
    stretches = tables.conform(tables.STRETCHES, stretches)
    n = len(stretches)

    status = stretches["status"].to_numpy(object)
    scaled = ~np.isin(status, ["no_scale", "no_row"])
    stretches = stretches.assign(
        from_cm=stretches["from_cm"].where(scaled), to_cm=stretches["to_cm"].where(scaled)
    )

    index = metrics.stretch_index(positions, stretches)
    place = positions["position_cm"].to_numpy(float)
    within = metrics.inside(place, index, stretches)
    keep = within & scaled[index]
    beyond = np.bincount(index[~within], minlength=n) > 0
    # a tape's bare count has a length and no positions
    counted = status == "counted"
    plants = np.where(scaled & ~counted, np.bincount(index[keep], minlength=n), stretches["plants"].to_numpy())
    status = np.where(scaled, np.where(plants > 0, "ok", "empty"), status)

    place, plant, index = place[keep], positions["plant"].to_numpy()[keep], index[keep]
    ends_known = stretches.assign(
        from_cm=stretches["from_cm"].where(~counted), to_cm=stretches["to_cm"].where(~counted)
    )
    gaps, at = metrics.gap_table(place, plant, index, ends_known, float("nan"))
    closed = gaps["kind"].to_numpy(object) != metrics.OPEN
    nominal = theoretical_spacing(gaps["gap_cm"].to_numpy()[closed], spacing)
    if np.isfinite(nominal.spacing_cm):
        gaps = metrics.with_classes(gaps, nominal.spacing_cm)

    length = np.maximum(stretches["to_cm"].to_numpy(float) - stretches["from_cm"].to_numpy(float), 0.0)
    width = float("nan") if spacing.row_width_cm is None else float(spacing.row_width_cm)
    per_ha = _plants_per_ha(plants, length, width)
    bits = _row_bits(stretches["flags"])
    bits[(plants > 0) & np.isfinite(length) & ~counted] |= flags.bit("censored_ends")
    bits[scaled & np.isnan(per_ha)] |= flags.bit("no_population")
    bits[beyond & scaled] |= flags.bit("beyond_stretch")
    if nominal.source == "estimated":
        bits[np.bincount(at[closed], minlength=n) > 0] |= flags.bit("nominal_estimated")

    gap = gaps["gap_cm"].to_numpy()[closed]
    code = metrics.classify(gaps["multiple"].to_numpy()[closed])
    rows = pd.DataFrame(
        {
            "photo": stretches["photo"],
            "plot": stretches["plot"],
            "row": stretches["row"],
            "row_length_cm": length,
            "plants": plants,
            **_indices(gap, code, at[closed], n, nominal.spacing_cm),
            "nominal_spacing_cm": nominal.spacing_cm,
            "nominal_source": nominal.source,
            "row_width_cm": width,
            "plants_per_ha": per_ha,
            **{name: stretches[name] for name in ("from_x_px", "from_y_px", "to_x_px", "to_y_px")},
            "status": status,
            "flags": _words(bits),
        }
    )

    plot_of, plot_names = pd.factorize(stretches["plot"])
    m = len(plot_names)
    has_length = np.isfinite(length)
    plot_length = np.bincount(plot_of, weights=np.where(has_length, length, 0.0), minlength=m).astype(float)
    plot_length[np.bincount(plot_of[has_length], minlength=m) == 0] = np.nan
    measured = np.bincount(plot_of[has_length], weights=plants[has_length], minlength=m)
    plot_bits = np.zeros(m, np.int64)
    np.bitwise_or.at(plot_bits, plot_of, bits)
    plots = pd.DataFrame(
        {
            "plot": plot_names,
            "rows": np.bincount(plot_of[scaled], minlength=m),
            "row_length_cm": plot_length,
            "plants": np.bincount(plot_of, weights=plants, minlength=m).astype(np.int64),
            **_indices(gap, code, plot_of[at[closed]], m, nominal.spacing_cm),
            "nominal_spacing_cm": nominal.spacing_cm,
            "plants_per_ha": _plants_per_ha(measured, plot_length, width),
            "status": _plot_status(status, plot_of, m),
            "flags": _words(plot_bits),
        }
    )
    return Summary(gaps, tables.conform(tables.ROWS, rows), tables.conform(tables.PLOTS, plots), nominal)


def _indices(
    gap: np.ndarray, code: np.ndarray, group: np.ndarray, n: int, nominal_cm: float
) -> dict[str, np.ndarray]:
    """Spacing columns of each group of closed gaps."""
    mean, sd = metrics.mean_sd(gap, group, n)
    classed = code >= 0
    width = len(metrics.KINDS)
    counts = np.bincount(group[classed] * width + code[classed], minlength=n * width).reshape(n, width)
    shares = metrics.spacing_shares(counts)
    single = code == metrics.KINDS.index("single")
    return {
        "mean_gap_cm": mean,
        "sd_gap_cm": sd,
        "cv_pct": 100 * np.divide(sd, mean, out=np.full(n, np.nan), where=mean > 0),
        "multiples_pct": shares.multiples_pct,
        "quality_of_feed_pct": shares.quality_of_feed_pct,
        "misses_pct": shares.misses_pct,
        "precision_pct": 100 * metrics.mean_sd(gap[single], group[single], n)[1] / nominal_cm,
    }


def _plants_per_ha(plants: np.ndarray, length_cm: np.ndarray, width_cm: float) -> np.ndarray:
    """Population. No plants on a measured length are 0 per ha whatever the row width. [1/ha]"""
    area = length_cm * width_cm
    some = length_cm > _NO_LENGTH_CM
    out = np.full(len(length_cm), np.nan)
    np.divide(plants * _CM2_PER_HA, area, out=out, where=some & (area > 0))
    out[(plants == 0) & some] = 0.0
    return out


def _row_bits(words: pd.Series) -> np.ndarray:
    codes, known = pd.factorize(words)
    return (
        np.array([flags.parse(text) for text in known], np.int64)[codes]
        if len(known)
        else np.zeros(0, np.int64)
    )


def _words(bits: np.ndarray) -> np.ndarray:
    known, codes = np.unique(bits, return_inverse=True)
    return np.array([flags.words(b) for b in known], object)[codes]


def _plot_status(status: np.ndarray, plot_of: np.ndarray, n: int) -> np.ndarray:
    """Status "ok" where any row is; else the commonest status, the first of equals in the order below."""
    kinds = [
        "ok",
        "empty",
        "no_scale",
        "no_row",
        *sorted(set(status) - {"ok", "empty", "no_scale", "no_row"}),
    ]
    counts = np.stack([np.bincount(plot_of[status == kind], minlength=n) for kind in kinds], axis=1)
    return np.where(counts[:, 0] > 0, "ok", np.array(kinds, object)[counts.argmax(axis=1)])
