"""What the planter did, from gaps alone: skips, doubles and placement scatter told apart, with intervals.

The fit is by maximum likelihood over all ways in which the plants of a row can belong to seed places; see
:mod:`standcam.planter.likelihood` for the model and :mod:`standcam.planter.maximum` for the intervals. What spacing
cannot tell: whether an empty place had no seed or a seed that did not come up, both leave the same gap.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from standcam.errors import BadSettings
from standcam.estimate import Estimate
from standcam.planter import maximum
from standcam.planter.likelihood import Rows, build_rows
from standcam.planter.maximum import DOUBLE, SKIP, SPACING, Maximum, Objective
from standcam.settings import StatisticsSettings
from standcam.spacing.metrics import OPEN
from standcam.spacing.nominal import MIN_GAPS, estimate_spacing

FEW_GAPS = 15
"""Below this the fit is given with a warning; below :data:`standcam.spacing.nominal.MIN_GAPS` not at all."""
WIDE_SCATTER = 0.28
"""Placement SD from which singles spread over their neighbours' classes. Simulated with normal scatter, shares are
without bias up to 0.35 and the SD itself comes out 5 % low there; but real scatter is not quite normal. [multiples of
spacing]"""
_OTHER_STARTS = np.r_[
    np.exp(np.arange(-12, 13) * 0.025), 1 / 3, 0.45, 0.5, 0.55, 0.65, 1.5, 1.7, 2.0, 2.5, 3.0, 4.0, 4.5
]
"""Of the first guess of an unknown spacing: close by, for the likelihood has narrow peaks, and where half of the places
are empty, or all double."""
LEAST_GAIN = 3.0
"""The fit must explain the gaps this much better (log likelihood: 20 to 1) than gaps without rhythm, or it is said that
there is none. Simulated: 59 random gaps stay below in 9 of 10 rows, rows with a placement SD of 0.25 spacings and many
skips rise above it in 9 of 10."""
LONG_HOLE = 8
"""A gap of more missing places than this is named: skips that come independently hardly make one."""


@dataclass(frozen=True)
class PlanterFit:
    """What a planter did on some rows."""

    spacing_cm: Estimate
    """Distance of seed places. Where it was given, that value without interval. [cm]"""
    skip_share: Estimate
    """Seed places without a plant, of all: skips of the meter and failed emergence alike. [1]"""
    double_share: Estimate
    """Filled seed places with more than one plant, of the filled ones. [1]"""
    placement_sd_cm: Estimate
    """SD of one plant about its seed place, along the row; gaps of singles scatter by the square root of 2 of it.
    Measurement error is taken out where it is known. [cm]"""
    gaps: int
    """Closed gaps."""
    rows: int
    seed_places: float
    """Length of row over distance of seed places: about how many places the rows had."""
    log_likelihood: float
    """Of the composite likelihood, prior beliefs left out."""
    converged: bool
    notes: tuple[str, ...]
    """What a reader must know, in words."""
    fitted_spacing_cm: Estimate = field(default_factory=lambda: Estimate(math.nan))
    """Distance of seed places that fits best, also where one was given: it may differ by some percent. [cm]"""
    single_sd_cm: float = math.nan
    """SD of the gaps of singles, as seen: placement and measurement together. [cm]"""
    double_scale_cm: float = math.nan
    """Scale of the half-normal distance of doubles. [cm]"""

    @property
    def known(self) -> bool:
        """Whether there is a fit."""
        return self.skip_share.known


def fit_planter(
    gaps: pd.DataFrame,
    nominal_cm: float | None = None,
    statistics: StatisticsSettings | None = None,
    gap_error_sd_cm: float | np.ndarray | None = None,
) -> PlanterFit:
    """Skips, doubles and placement scatter of the rows of one planter.

    Parameters
    ----------
    gaps : DataFrame
        GAPS with the open ends, of one row or many; rows are told apart by photo, plot and row.
    nominal_cm : float, optional
        Theoretical spacing. The places may lie some percent closer or wider (see ``GIVEN_WITHIN``). None or NaN: found
        from the gaps. [cm]
    statistics : StatisticsSettings, optional
        The level of the intervals.
    gap_error_sd_cm : float or array (len(gaps),), optional
        SD that measurement adds to a gap, both ends together; see :func:`gap_errors`. NaN counts as none. [cm]

    Returns
    -------
    PlanterFit
        NaN throughout, with a note, for fewer than 5 closed gaps.

    Raises
    ------
    BadSettings
        The spacing is not positive.
    """
    statistics = statistics or StatisticsSettings()
    if nominal_cm is not None and not nominal_cm > 0 and not math.isnan(nominal_cm):
        raise BadSettings(f"The theoretical spacing is {nominal_cm} cm.", "Give a length above zero.")
    given = None if nominal_cm is None or math.isnan(nominal_cm) else float(nominal_cm)
    table = _ordered(gaps, gap_error_sd_cm)
    closed = table.gap_cm[~table.open]
    unknown = Estimate(math.nan, level=statistics.level)
    spacing = Estimate(given, level=statistics.level) if given is not None else unknown
    if len(closed) < MIN_GAPS or np.median(closed) <= 0:
        why = f"Too few gaps between plants ({len(closed)}) to tell what the planter did: {MIN_GAPS} are the least."
        if len(closed) >= MIN_GAPS:
            why = "Most plants share one place: no spacing can be told."
        places = float(table.gap_cm.sum()) / given if given is not None else math.nan
        return PlanterFit(spacing, unknown, unknown, unknown, len(closed), table.rows, places, math.nan, False, (why,))

    rows = table.for_likelihood()
    guess = given if given is not None else estimate_spacing(closed)
    best, objective, rivals = _fit(rows, closed, table.noise_cm2, given, guess)
    places = float(table.gap_cm.sum()) / best.spacing
    skip, double = best.share(SKIP), best.share(DOUBLE)
    skip_low, skip_high, skip_worth = maximum.share_interval(objective, best, SKIP, places, statistics.level)
    filled = max(places * (1 - skip), 1.0)
    double_low, double_high, double_worth = maximum.share_interval(objective, best, DOUBLE, filled, statistics.level)
    sd, sd_low, sd_high, _ = maximum.placement_interval(objective, best, len(closed), statistics.level)
    fitted = _spacing_estimate(best, rivals, statistics.level)
    notes = _notes(table, closed, given, best, fitted, rivals)
    gain = _rhythm_gain(rows, closed, best, objective)
    notes += _doubt(best, places, filled, skip_worth, double_worth, (skip_high, double_high), sd_low, gain)
    return PlanterFit(
        spacing if given is not None else fitted,
        Estimate(skip, skip_low, skip_high, statistics.level),
        Estimate(double, double_low, double_high, statistics.level),
        Estimate(sd, sd_low, sd_high, statistics.level),
        len(closed),
        table.rows,
        places,
        float(objective.by_row(best.point[None]).sum()),
        best.converged,
        tuple(notes),
        fitted,
        float(np.sqrt(2 * sd**2 + table.noise_cm2.mean())),
        best.double_scale,
    )


def gap_errors(gaps: pd.DataFrame, positions: pd.DataFrame) -> np.ndarray:
    """SD that the errors of two positions add to their gap: ``sqrt(sd_left² + sd_right²)``.

    Parameters
    ----------
    gaps, positions : DataFrame
        GAPS and the POSITIONS they come from.

    Returns
    -------
    array (len(gaps),)
        NaN for open ends and where a position has no `position_sd_cm`. [cm]
    """
    key = ["photo", "plot", "row", "plant"]
    sd = positions.drop_duplicates(key).set_index(key)["position_sd_cm"]
    square = np.zeros(len(gaps))
    for end in ("from_plant", "to_plant"):
        plant = gaps[end].fillna(-1).astype("int64")
        index = pd.MultiIndex.from_arrays([gaps["photo"], gaps["plot"], gaps["row"], plant])
        square += sd.reindex(index).to_numpy(float) ** 2
    return np.sqrt(square)


def gap_classes(fit: PlanterFit, gap_cm: np.ndarray) -> np.ndarray:
    """How likely each gap is what, judged by its length alone.

    Returns
    -------
    array (n, k)
        Probabilities of double, single, one missing, two missing and so on, as far as the longest gap asks, and at
        least up to three missing. NaN without a fit and for NaN gaps. What the fit saw none of counts as seen half a
        time, or else no new gap could be it.
    """
    gap = np.asarray(gap_cm, float)
    if not fit.known:
        return np.full((len(gap), 5), np.nan)
    parts = _parts(fit, gap, 0.5 / (fit.gaps + 1))
    total = parts.sum(axis=1, keepdims=True)
    # a gap far from everything belongs to the nearest multiple
    nearest = np.clip(np.rint(gap / fit.fitted_spacing_cm.value), 0, parts.shape[1] - 1)
    far = (nearest[:, None] == np.arange(parts.shape[1])).astype(float)
    out = np.where(total > 1e-250, parts / np.maximum(total, 1e-300), far)
    out[np.isnan(gap)] = np.nan
    return out


def gap_density(fit: PlanterFit, x_cm: np.ndarray) -> np.ndarray:
    """Fitted density of gaps, for drawing over a histogram. (n,) [cm] -> (n,) [1/cm]"""
    x = np.asarray(x_cm, float)
    if not fit.known:
        return np.full(len(x), np.nan)
    return np.where(x >= 0, _parts(fit, x).sum(axis=1), 0.0)


def _parts(fit: PlanterFit, gap: np.ndarray, least: float = 0.0) -> np.ndarray:
    """Density of gaps, class by class, with shares taken as at least so large. (n,) -> (n, k)"""
    spacing = fit.fitted_spacing_cm.value
    skip, double = max(fit.skip_share.value, least), max(fit.double_share.value, least)
    longest = np.nanmax(gap) / spacing if np.isfinite(gap).any() else 0.0
    k = np.arange(1.0, max(5, int(np.ceil(longest)) + 3))
    sd, scale = fit.single_sd_cm, fit.double_scale_cm
    normal = np.exp(-0.5 * ((gap[:, None] - k * spacing) / sd) ** 2) / (np.sqrt(2 * np.pi) * sd)
    between = (1 - skip) * skip ** (k - 1) * normal
    within = double * np.sqrt(2 / np.pi) / scale * np.exp(-0.5 * (gap / scale) ** 2)
    return np.c_[within, between] / (1 + double)


@dataclass(frozen=True)
class _Gaps:
    """Gaps in order along their rows."""

    gap_cm: np.ndarray
    open: np.ndarray
    starts: np.ndarray
    """No plant at its beginning."""
    stops: np.ndarray
    """No plant at its end."""
    row: np.ndarray
    rows: int
    noise_cm2: np.ndarray
    """Variance by measurement, of the closed ones."""
    noise_missing: bool
    """Some closed gaps have no measurement error where others do."""

    def for_likelihood(self) -> Rows:
        beside = self.open & (self.starts ^ self.stops)
        empty = self.open & self.starts & self.stops
        closed = ~self.open
        return build_rows(
            self.gap_cm[closed], self.noise_cm2, self.row[closed], self.gap_cm[beside], self.row[beside],
            self.starts[beside].astype(float), self.gap_cm[empty], self.row[empty], self.rows,
        )  # fmt: skip


def _ordered(gaps: pd.DataFrame, error: float | np.ndarray | None) -> _Gaps:
    gap = gaps["gap_cm"].to_numpy(float)
    noise = np.broadcast_to(np.nan if error is None else np.asarray(error, float), gap.shape) ** 2
    row = np.zeros(len(gaps), np.int64)
    for name in ("photo", "plot", "row"):
        codes, found = pd.factorize(gaps[name])
        row = np.unique(row * (len(found) + 1) + codes, return_inverse=True)[1] if len(gaps) else row
    keep = np.flatnonzero(np.isfinite(gap))
    order = keep[np.lexsort((gaps["from_cm"].to_numpy(float)[keep], row[keep]))]
    is_open = (gaps["kind"].to_numpy(object) == OPEN)[order]
    variance = noise[order][~is_open]
    known = np.isfinite(variance)
    return _Gaps(
        gap[order],
        is_open,
        gaps["from_plant"].isna().to_numpy()[order],
        gaps["to_plant"].isna().to_numpy()[order],
        row[order],
        int(row.max()) + 1 if len(row) else 0,
        np.where(known, variance, 0.0),
        bool(known.any() and not known.all()),
    )


def _fit(
    rows: Rows, closed: np.ndarray, noise: np.ndarray, given: float | None, guess: float
) -> tuple[Maximum, Objective, list[Maximum]]:
    """Best of the starts, and other maxima that are nearly as high."""
    spread = float(np.sqrt(noise.mean() / 2))
    near = np.exp(np.arange(-3, 4) * 0.025) if given is not None else _OTHER_STARTS
    starts = np.array([maximum.first_guess(closed, guess * factor) for factor in near])
    scan = Objective(rows, given, spread / guess)
    scan.sharpen(float(np.exp(np.median(starts[:, maximum.PLACEMENT]))))
    height = scan(starts)
    found: list[tuple[Maximum, Objective]] = []
    for i in np.argsort(-height, kind="stable"):
        # a spacing with one place more or less in a block of twelve is a maximum of its own
        tried = any(abs(np.log(near[i] / near[j])) < 0.04 for j in np.flatnonzero(height > height[i]))
        if (found and height[i] < height.max() - 15) or len(found) == (2 if given is not None else 4):
            break
        if not tried:
            objective = Objective(rows, given, spread / (guess * near[i]))
            found.append((maximum.maximise(objective, starts[i]), objective))
    found.sort(key=lambda pair: -pair[0].height)
    best, objective = found[0]
    return best, objective, [m for m, _ in found[1:] if m.height > best.height - 3]


def _rhythm_gain(rows: Rows, closed: np.ndarray, best: Maximum, objective: Objective) -> float:
    """Log likelihood over that of gaps without rhythm, drawn one by one from a gamma distribution."""
    from scipy.special import gammaln

    nothing, none = np.zeros(0), np.zeros(0, int)
    inner = replace(rows, open_cm=nothing, open_row=none, opens_row=nothing, empty_cm=nothing, empty_row=none)
    alone = Objective(inner, None, 0.0)
    alone.phases = objective.phases
    gap = np.maximum(closed, 0.01 * best.spacing)
    mean = gap.mean()
    # shape by maximum likelihood, in the approximation of Thom 1958 (from memory), good to some percent
    a = max(float(np.log(mean) - np.log(gap).mean()), 1e-6)
    shape = (1 + np.sqrt(1 + 4 * a / 3)) / (4 * a)
    gamma = (shape - 1) * np.log(gap) - gap * shape / mean + shape * np.log(shape / mean) - gammaln(shape)
    return float(alone.by_row(best.point[None]).sum() - gamma.sum())


def _spacing_estimate(best: Maximum, rivals: list[Maximum], level: float) -> Estimate:
    """Spacing with the curvature's interval, stretched over other maxima that the data do not exclude."""
    from scipy.special import ndtri

    z = float(ndtri(0.5 + level / 2))
    ends = []
    for m in [best, *(r for r in rivals if r.height > best.height - z**2 / 2)]:
        wide = math.exp(z * math.sqrt(m.covariance[SPACING, SPACING] * m.inflation[SPACING]))
        ends += [m.spacing / wide, m.spacing * wide]
    return Estimate(best.spacing, min(ends), max(ends), level)


def _notes(
    table: _Gaps, closed: np.ndarray, given: float | None, best: Maximum, fitted: Estimate, rivals: list[Maximum]
) -> list[str]:
    """On the data and the spacing."""
    notes = []
    if len(closed) < FEW_GAPS:
        notes.append(f"Only {len(closed)} gaps: read the ranges, not the values.")
    if not best.converged:
        notes.append("The fit did not settle: its values are doubtful.")
    if given is None:
        notes.append(f"The spacing of seed places was not given; {fitted.value:.1f} cm fits best.")
        others = [m.spacing for m in rivals if abs(math.log(m.spacing / best.spacing)) > 0.04]
        if others:
            notes.append(f"A spacing of {others[0]:.1f} cm fits nearly as well: give the planter's setting to decide.")
    else:
        off = 100 * (fitted.value / given - 1)
        if abs(off) > 2 and not fitted.low <= given <= fitted.high:
            notes.append(
                f"Seed places lie {fitted.value:.1f} cm apart, {abs(off):.0f} % {'more' if off > 0 else 'less'} than "
                f"the {given:.1f} cm given: setting, drive ratio, wheel slip, or the scale of the measurement."
            )
        # a spacing that is far out shows as shares or a scatter that no planter has
        odd = max(best.share(SKIP), best.share(DOUBLE), best.placement / best.spacing) > 0.25
        alone = estimate_spacing(closed) if odd and len(closed) >= FEW_GAPS else math.nan
        if math.isfinite(alone) and abs(math.log(alone / given)) > 0.15:
            notes.append(
                f"The gaps by themselves suggest seed places {alone:.1f} cm apart, not {given:.1f} cm: check what was "
                "given. A wrong spacing makes skips or doubles that are none."
            )
    missing = np.rint(table.gap_cm / best.spacing) - 1
    for gap, places in zip(table.gap_cm[missing > LONG_HOLE], missing[missing > LONG_HOLE], strict=True):
        notes.append(
            f"One gap of {gap / 100:.1f} m counts as about {places:.0f} missing plants. If the planter has no part in "
            "it (washed out, a turn, a blocked tube), leave it out."
        )
    if table.noise_missing:
        notes.append("Some positions have no measurement error: it is taken as none there.")
    return notes


def _doubt(
    best: Maximum,
    places: float,
    filled: float,
    skip_worth: float,
    double_worth: float,
    high: tuple[float, float],
    sd_low: float,
    gain: float,
) -> list[str]:
    """On what cannot be told apart."""
    notes = []
    scatter = best.placement / best.spacing
    if best.share(SKIP) == 0:
        notes.append(f"No place without a plant is seen; up to {100 * high[0]:.1f} % remain possible.")
    if best.share(DOUBLE) == 0:
        notes.append(f"No double is seen; up to {100 * high[1]:.1f} % remain possible.")
    if gain < LEAST_GAIN:
        notes.append(
            "These gaps show no clear rhythm of seed places: skips, doubles and scatter cannot be told apart by "
            "spacing alone."
        )
    elif scatter > WIDE_SCATTER:
        notes.append(
            f"Plants stand {100 * scatter:.0f} % of a spacing off their places: skips, doubles and scatter can hardly "
            "be told apart; the shares lean on the form of the model."
        )
    elif min(skip_worth / places, double_worth / filled) < 0.5:
        notes.append("Classes overlap: much of what the shares rest on is scatter, and their ranges are wide.")
    if sd_low == 0:
        notes.append("Placement scatter is too small to be told from rounding and measuring: read its upper end.")
    if max(best.inflation[SKIP], best.inflation[DOUBLE]) > 2:
        notes.append("Rows differ more than chance makes them: one share for all of them hides that.")
    return notes
