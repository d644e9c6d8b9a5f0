"""Maximum of the planter's likelihood, and intervals about it.

Shares are fitted as ``sin²(a)``: the information on `a` hardly depends on the share, and the edge at 0 becomes an
ordinary maximum, so that Newton's method needs no special case for rows without skips or doubles.

Intervals of shares. The profile likelihood is followed to where it has dropped by what the level asks. The binomial
sample (n places, share as estimated) whose likelihood drops there too has the same information; its mid-P interval
(Lancaster 1961, Biometrika 48:339-341, from memory) is given. Where classes do not overlap this is the interval of a
plain count, and without any skip it ends at 3 / n, the rule of three. The drop alone covers too little near 0 (its end
without any skip is 1.9 / n), and a normal interval covers too little wherever few skips are expected.

The placement SD is given the interval of a normal sample's SD (chi square) with the degrees of freedom that the
curvature tells, less one for the spacing and what blocks have in common; where measurement drowns the placement, the
drop of the profile. With ten rows or more, variances are those by the scores of the rows where these are larger: skips
that come in clusters or differ between rows widen the ranges.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standcam.planter.likelihood import BLOCK_GAPS, Parameters, Rows, log_likelihood, phases_for

SPACING, PLACEMENT, SKIP, DOUBLE, SCALE = range(5)
"""Places in a parameter vector: log spacing, log (placement / spacing), two angles, log (double scale / spacing)."""

GIVEN_WITHIN = 0.03
"""How well a given spacing is believed: SD of its logarithm. Wheels slip, chains stretch and tapes give some percent
(common practice, no source); without this freedom a spacing wrong by 2 % adds up to a quarter of a spacing in twelve
gaps and passes for scatter. Wrong for a monitor's exact figure, where it costs nothing."""
MOST_SKIPPED = 0.5
"""Of a row of unknown spacing at least half of the places are taken as filled: below that stand nothing tells a rhythm
of s with every second plant missing from one of 2 s."""
DOUBLE_AT, DOUBLE_WITHIN = 0.2, 0.4
"""Scale of the distance of doubles [multiples of spacing] and SD of its logarithm: a weak belief that decides only
where a handful of doubles cannot. 0.2 of 16 cm puts doubles 2.6 cm apart in the mean: they lie 1 to 5 cm apart (common
practice, no source). Wrong for hill drop."""
NARROWEST, WIDEST = 0.02, 0.45
"""Bounds of placement SD, softly: whole centimetres alone scatter by 0.02 of 15 cm. [multiples of spacing]"""

_STEP = np.array([1.5e-3, 0.05, 0.03, 0.03, 0.1])  # of differences
_LONGEST = np.array([0.05, 0.5, 0.15, 0.15, 0.5])  # of one iteration
_CLOSE = 1e-3  # gain in log likelihood that is not worth an iteration: 3 % of a standard error
_NEAR = 0.05  # gain that a last failed step may have promised, at a bend of the bounds
_WALK = np.array([0.6, 1.2, 1.8, 2.4, 3.2, 5.0])
_MOST_ITERATIONS = 40


@dataclass(frozen=True)
class Maximum:
    """Where the likelihood is highest, and how sharply."""

    point: np.ndarray
    """Parameter vector. (5,)"""
    height: float
    covariance: np.ndarray
    """Of the parameter vector, from the curvature. (5, 5)"""
    inflation: np.ndarray
    """How much wider the variance is by the differences between rows; 1 where there are too few rows or no excess.
    (5,)"""
    converged: bool

    @property
    def spacing(self) -> float:
        """[cm]"""
        return float(np.exp(self.point[SPACING]))

    @property
    def placement(self) -> float:
        """[cm]"""
        return float(np.exp(self.point[SPACING] + self.point[PLACEMENT]))

    @property
    def double_scale(self) -> float:
        """[cm]"""
        return float(np.exp(self.point[SPACING] + self.point[SCALE]))

    def share(self, which: int) -> float:
        """Share of skips or doubles; an angle too small to matter is none. [1]"""
        share = float(np.sin(self.point[which]) ** 2)
        return share if share > 1e-5 else 0.0


class Objective:
    """Log likelihood of rows plus what is believed beforehand."""

    def __init__(self, rows: Rows, given_cm: float | None, noise_per_spacing: float) -> None:
        self.rows, self.given_cm, self._noise = rows, given_cm, noise_per_spacing
        self.phases = 0
        self.sharpen(0.1)

    def sharpen(self, placement_per_spacing: float) -> bool:
        """Take as many phases as a placement SD needs; whether there were far too few."""
        wanted = phases_for(float(np.hypot(placement_per_spacing, self._noise)))
        few = self.phases < 0.8 * wanted
        self.phases = wanted if few else self.phases
        return few

    def by_row(self, points: np.ndarray) -> np.ndarray:
        """(p, 5) -> (p, rows)"""
        t = points[:, :, None]
        spacing = np.exp(t[:, SPACING])
        parameters = Parameters(
            spacing,
            spacing * np.exp(t[:, PLACEMENT]),
            np.clip(np.sin(t[:, SKIP]) ** 2, 1e-8, 0.98),
            np.clip(np.sin(t[:, DOUBLE]) ** 2, 1e-9, 0.999),
            spacing * np.exp(t[:, SCALE]),
        )
        return log_likelihood(self.rows, parameters, self.phases)

    def prior(self, points: np.ndarray) -> np.ndarray:
        """(p, 5) -> (p,)"""
        t = points.T
        log = -0.5 * ((t[PLACEMENT] - np.log(0.15)) / 2) ** 2
        log = log - 0.5 * ((t[SCALE] - np.log(DOUBLE_AT)) / DOUBLE_WITHIN) ** 2
        # bounds are cubes, smooth enough for second derivatives by differences
        log = log - 2000 * np.maximum(np.log(NARROWEST) - t[PLACEMENT], 0) ** 3
        log = log - 500 * np.maximum(t[PLACEMENT] - np.log(WIDEST), 0) ** 3
        log = log - 2000 * np.maximum(np.abs(t[DOUBLE]) - 1.4, 0) ** 3
        most = 1.3 if self.given_cm is not None else np.arcsin(np.sqrt(MOST_SKIPPED))
        log = log - 2000 * np.maximum(np.abs(t[SKIP]) - most, 0) ** 3
        if self.given_cm is not None:
            log = log - 0.5 * ((t[SPACING] - np.log(self.given_cm)) / GIVEN_WITHIN) ** 2
        return log

    def __call__(self, points: np.ndarray) -> np.ndarray:
        """(p, 5) -> (p,)"""
        return self.by_row(points).sum(axis=1) + self.prior(points)


def first_guess(gap_cm: np.ndarray, spacing_cm: float) -> np.ndarray:
    """Parameter vector from counting gaps in the classes of a spacing. (n,) [cm], [cm] -> (5,)"""
    multiple = gap_cm / spacing_cm
    single = multiple[(multiple > 0.5) & (multiple <= 1.5)]
    between = multiple[multiple > 0.5]
    missing = np.maximum(np.rint(between), 1).sum() - len(between)
    scatter = 1.4826 * np.median(np.abs(single - 1)) / np.sqrt(2) if len(single) > 2 else 0.15
    # never on the edge itself, where the angle has no slope
    skip = (missing + 0.3) / (missing + len(between) + 1)
    double = (len(multiple) - len(between) + 0.3) / (len(between) + 1)
    return np.array([
        np.log(spacing_cm),
        np.log(np.clip(scatter, 0.03, 0.35)),
        np.arcsin(np.sqrt(min(skip, 0.45))),
        np.arcsin(np.sqrt(min(double, 0.9))),
        np.log(DOUBLE_AT),
    ])  # fmt: skip


def maximise(objective: Objective, start: np.ndarray) -> Maximum:
    """Climb from a start by Newton's method with the steps held short; the same start gives the same result."""
    objective.phases = 0
    objective.sharpen(0.9 * float(np.exp(start[PLACEMENT])))
    at, converged = start, False
    height, slope, bend = _expand(objective, at)
    for _ in range(_MOST_ITERATIONS):
        power, axes = np.linalg.eigh(-bend)
        step = axes @ ((axes.T @ slope) / np.maximum(np.abs(power), 1.0))
        step = step0 = step / max(1.0, float(np.max(np.abs(step) / _LONGEST)))
        if slope @ step < _CLOSE:
            if objective.sharpen(float(np.exp(at[PLACEMENT]))):
                height, slope, bend = _expand(objective, at)
                continue
            converged = True
            break
        found = _expand(objective, at + step)
        while found[0] < height - 1e-4 and np.max(np.abs(step) / _LONGEST) > 1e-4:
            step = step / 3
            found = _expand(objective, at + step)
        if found[0] < height - 1e-4:
            converged = bool(slope @ step0 < _NEAR)
            break
        at, (height, slope, bend) = at + step, found
    at = np.where(np.isin(np.arange(5), (SKIP, DOUBLE)), np.abs(at), at)
    power, axes = np.linalg.eigh(-bend)
    covariance = (axes / np.maximum(power, 1.0)) @ axes.T
    return Maximum(at, height, covariance, _inflation(objective, at, covariance), converged)


def _expand(objective: Objective, at: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
    """Value, slope and second derivatives by differences, in one call of the likelihood."""
    n, size = len(at), _differences(at)
    steps = np.diag(size)
    pairs = [(i, j) for i in range(n) for j in range(i)]
    moved = [np.zeros(n), *steps, *-steps, *(steps[i] + steps[j] for i, j in pairs)]
    value = objective(at + np.array(moved))
    here, up, down = value[0], value[1 : n + 1], value[n + 1 : 2 * n + 1]
    bend = np.diag((up + down - 2 * here) / size**2)
    for (i, j), both in zip(pairs, value[2 * n + 1 :], strict=True):
        bend[i, j] = bend[j, i] = (both - up[i] - up[j] + here) / (size[i] * size[j])
    return float(here), (up - down) / (2 * size), bend


def _differences(at: np.ndarray) -> np.ndarray:
    """Steps of differences; the spacing is known the better the less plants scatter."""
    size = _STEP.copy()
    size[SPACING] = min(size[SPACING], 0.03 * float(np.exp(at[PLACEMENT])))
    return size


FEWEST_ROWS = 10
"""Fewer rows do not tell how much rows differ."""


def _inflation(objective: Objective, at: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """Variance by the scores of the rows (sandwich) over that by the curvature, where it is larger."""
    n = objective.rows.n_rows
    if n < FEWEST_ROWS:
        return np.ones(5)
    size = _differences(at)
    steps = np.diag(size)
    value = objective.by_row(np.concatenate([at + steps, at - steps]))
    score = (value[:5] - value[5:]) / (2 * size[:, None])
    score = score - score.mean(axis=1, keepdims=True)
    outer = score @ score.T * n / (n - 1)
    return np.maximum(np.diag(covariance @ outer @ covariance) / np.diag(covariance), 1.0)


def share_interval(
    objective: Objective, best: Maximum, which: int, places: float, level: float
) -> tuple[float, float, float]:
    """Ends of a share's interval, and the number of places a plain count would need to tell as much.

    Parameters
    ----------
    which : int
        SKIP or DOUBLE.
    places : float
        Places that the share refers to: more than that is never believed.
    """
    from scipy.special import ndtri

    z = float(ndtri(0.5 + level / 2))
    angle, share = float(best.point[which]), best.share(which)
    unit = 0.5 / np.sqrt(places)
    above = np.minimum(angle + _WALK * unit, 1.5)
    below = np.unique(np.r_[np.maximum(angle - _WALK * unit, 0.0), 0.0])[::-1]
    drop = _profile(objective, best, which, np.r_[above, below] - angle)
    up, down = drop[: len(above)], drop[len(above) :]
    wide = 1 / best.inflation[which]
    high = np.sin(np.interp(z, np.r_[0.0, up], np.r_[angle, above])) ** 2
    n_high = min(_same_drop(share, float(high), z), places) * wide
    n_low = n_high
    if down[-1] > z:
        low = np.sin(np.interp(z, np.r_[0.0, down], np.r_[angle, below])) ** 2
        n_low = min(_same_drop(share, float(low), z), places) * wide
    return mid_p(share, n_low, level)[0], mid_p(share, n_high, level)[1], n_high


def _profile(objective: Objective, best: Maximum, which: int, move: np.ndarray) -> np.ndarray:
    """Signed root of the drop of the profile likelihood, the others following along the ridge. (n,) -> (n,)"""
    ridge = best.covariance[:, which] / best.covariance[which, which]
    value = objective(best.point + move[:, None] * ridge)
    root = np.sqrt(np.maximum(2 * (best.height - value), 0.0))
    for side in (move > 0, move <= 0):
        root[side] = np.maximum.accumulate(root[side])
    return root


def _same_drop(share: float, other: float, z: float) -> float:
    """Size of the binomial sample whose log likelihood drops by z² / 2 from a share to another."""
    from scipy.special import xlogy

    far = xlogy(share, share / other) + xlogy(1 - share, (1 - share) / (1 - other))
    return float(z**2 / 2 / far) if far > 0 else np.inf


def mid_p(share: float, places: float, level: float) -> tuple[float, float]:
    """Mid-P interval of a binomial share; the number of places need not be whole. -> low, high [1]"""
    from scipy.optimize import brentq
    from scipy.special import betainc

    tail, count = (1 - level) / 2, share * places

    def more(p: float) -> float:
        """Probability of a larger count, plus half of that of this one."""
        at_least = betainc(count, places - count + 1, p) if count > 1e-9 else 1.0
        beyond = betainc(count + 1, places - count, p) if places - count > 1e-9 else 0.0
        return float(at_least + beyond) / 2

    low = 0.0 if more(0.0) >= tail else brentq(lambda p: more(p) - tail, 0.0, share, xtol=1e-7)
    high = 1.0 if more(1.0) <= 1 - tail else brentq(lambda p: more(p) - 1 + tail, share, 1.0, xtol=1e-7)
    return float(low), float(high)


def placement_interval(
    objective: Objective, best: Maximum, gaps: int, level: float
) -> tuple[float, float, float, float]:
    """Placement SD freed of its small-sample bias, its interval [cm], and its degrees of freedom."""
    from scipy.special import chdtri, ndtri

    tail = (1 - level) / 2
    c, widen = best.covariance, best.inflation
    var = c[PLACEMENT, PLACEMENT] + c[SPACING, SPACING] + 2 * c[PLACEMENT, SPACING]
    freedom = 1 / (2 * var)
    if freedom < 0.2 * gaps or np.exp(best.point[PLACEMENT]) < 1.5 * NARROWEST:
        z = float(ndtri(0.5 + level / 2))
        move = np.concatenate([np.linspace(0.1, 3.0, 20), -np.linspace(0.1, 4.0, 20)])
        lowest = np.log(NARROWEST) - best.point[PLACEMENT]
        move = np.clip(move, min(lowest, -0.01), np.log(WIDEST) - best.point[PLACEMENT] + 0.2)
        drop = _profile(objective, best, PLACEMENT, move)
        high = np.interp(z, np.r_[0.0, drop[:20]], np.r_[0.0, move[:20]])
        low = -np.inf if drop[-1] < z else np.interp(z, np.r_[0.0, drop[20:]], np.r_[0.0, move[20:]])
        return best.placement, best.placement * float(np.exp(low)), best.placement * float(np.exp(high)), freedom
    # one degree goes to the spacing, and the root of an unbiased variance is too small by 1 / (4 freedom)
    freedom = max(freedom - 1, 1.0)
    sd = best.placement * np.sqrt((freedom + 1) / freedom)
    # plants at which two blocks join count in both: the variance of a block of g gaps has (g / (g + 1))² of its own
    # in common with each neighbour's
    joins = len(objective.rows.row_of_block) - len(np.unique(objective.rows.row_of_block))
    shared = 1 + 2 * (BLOCK_GAPS / (BLOCK_GAPS + 1)) ** 2 * joins / gaps
    freedom = freedom / max(float(widen[PLACEMENT]), shared)
    low, high = (sd * np.sqrt(freedom / chdtri(freedom, p)) for p in (tail, 1 - tail))
    return float(sd * (1 + 1 / (4 * freedom))), float(low), float(high), freedom
