"""Likelihood of plant positions under a planter that drops seed on a rhythm.

The model. Seed places lie `spacing` apart. A place stays empty with probability q, independently of the others;
a filled one carries one plant, or with probability d two. The plant that belongs to a place stands off it by a
normal error of SD `placement`; the second plant of a double stands a half-normal distance before or behind it.

Neighbouring gaps share a plant, so that its error lengthens one and shortens the other (correlation -1/2), and a
plant far off its place must not pass for a skip and a double. Gaps are therefore not taken one by one. A row is
cut into blocks of some twelve gaps; within a block the places are one regular grid of unknown phase, and the
likelihood is summed over all ways of giving plants to places by a forward recursion that carries, for each of the
three nearest places, a weight and a normal belief about where the grid lies (a Gaussian sum filter: hypotheses
that name the same place are merged by their moments). Between blocks the phase is free: no planter keeps its
phase over a whole row, for wheels slip and drives give. Blocks join at a plant, so each gap counts once. The
product over blocks is a composite likelihood; what it loses against one grid for the whole row is one degree of
freedom in twelve.

The open stretch at an end of the row, whose place is arbitrary, has the density of a forward recurrence time:
``S(length) / mean gap`` for the first, ``S(length)`` for the last, S being the share of gaps longer than that (Cox
and Lewis 1966, The statistical analysis of series of events, chapter 4, from memory; it holds for any
stationary series of points). A stretch without plants has the integral of that density.

All arrays end in the axes (parameter sets, blocks), so that a gradient or a whole Hessian by differences is one
call.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

BLOCK_GAPS = 12
"""Gaps in a block, about. Longer ones gain little (1/12 of a degree of freedom) and take the planter for a clock;
shorter ones lose precision. Wrong for planters whose spacing swings within two metres of row."""
LARGEST_BLOCK = 20_000
"""Phases of blocks under so many sets of parameters are looked at together, about; bounds memory at some 10 MB."""
BREAK = 0.002
"""Share of gaps that follow no rhythm: the planter stopped and started again, a plant was lost or is a weed, three
plants stand together. Keeps one such gap from deciding the placement SD."""
PHASES_PER_SD = 2.4
"""Phases of the grid that are summed over, per spacing / placement SD. A block of twelve gaps tells the phase to
about 0.28 of that SD, so that steps are 1.5 times the width of what is summed, where the trapezoidal rule on a
circle errs by 3e-4 at most."""

_HALF_NORMAL_MEAN = np.sqrt(2 / np.pi)
_HALF_NORMAL_VAR = 1 - 2 / np.pi
_ROOT_2PI = np.sqrt(2 * np.pi)
_FAINTEST = -400.0  # logarithm of a probability that is as good as none, far from underflow
_SIDE = np.arange(-1.0, 2.0)[:, None, None, None]


@dataclass(frozen=True)
class Rows:
    """Gaps of some rows, ready for the likelihood."""

    steps: np.ndarray
    """Gaps by block, padded with 1 behind their end; longest blocks first. (g, b) [cm]"""
    noise: np.ndarray
    """Variance of the measured position of each plant of a block. (g + 1, b) [cm²]"""
    active: np.ndarray
    """How many blocks, from the first, have this many gaps. (g + 2,)"""
    row_of_block: np.ndarray
    """(b,)"""
    open_cm: np.ndarray
    """Open ends beside a plant. (e,) [cm]"""
    open_row: np.ndarray
    """(e,)"""
    opens_row: np.ndarray
    """1 for the open start of a row, 0 for its open end. (e,)"""
    empty_cm: np.ndarray
    """Stretches without plants. (z,) [cm]"""
    empty_row: np.ndarray
    """(z,)"""
    n_rows: int


@dataclass(frozen=True)
class Parameters:
    """Parameter sets, each array (p, 1)."""

    spacing: np.ndarray
    placement: np.ndarray
    skip: np.ndarray
    double: np.ndarray
    double_scale: np.ndarray

    def take(self, some: np.ndarray) -> Parameters:
        """Some of the sets."""
        return Parameters(*(getattr(self, f.name)[some] for f in fields(self)))


def build_rows(
    gap_cm: np.ndarray,
    noise_cm2: np.ndarray,
    row: np.ndarray,
    open_cm: np.ndarray,
    open_row: np.ndarray,
    opens_row: np.ndarray,
    empty_cm: np.ndarray,
    empty_row: np.ndarray,
    n_rows: int,
    block_gaps: int = BLOCK_GAPS,
) -> Rows:
    """Cut rows into blocks.

    Parameters
    ----------
    gap_cm, noise_cm2, row : array (n,)
        Closed gaps in their order along each row, the variance that measurement adds to each, and their row
        (ascending). [cm], [cm²]
    open_cm, open_row, opens_row, empty_cm, empty_row, n_rows
        See :class:`Rows`.
    """
    starts = np.flatnonzero(np.r_[True, row[1:] != row[:-1]]) if len(row) else np.zeros(0, int)
    first: list[int] = []
    length: list[int] = []
    plant_noise = np.zeros((2, len(gap_cm)))  # of the plant before and behind each gap
    for begin, end in zip(starts, np.r_[starts[1:], len(row)], strict=True):
        half = noise_cm2[begin:end] / 2
        plant = (np.r_[half[:1], half] + np.r_[half, half[-1:]]) / 2
        plant_noise[0, begin:end], plant_noise[1, begin:end] = plant[:-1], plant[1:]
        sizes = _block_sizes(int(end - begin), block_gaps)
        first += list(begin + np.r_[0, np.cumsum(sizes)[:-1]])
        length += sizes
    order = np.argsort(-np.array(length, int), kind="stable")
    size, at = np.array(length, int)[order], np.array(first, int)[order]
    longest = int(size.max()) if len(size) else 0
    steps, noise = np.ones((longest, len(size))), np.zeros((longest + 1, len(size)))
    for g in range(longest):
        m = int((size > g).sum())
        steps[g, :m] = gap_cm[at[:m] + g]
        noise[g, :m], noise[g + 1, :m] = plant_noise[:, at[:m] + g]
    active = np.array([int((size >= g).sum()) for g in range(longest + 2)])
    return Rows(steps, noise, active, row[at], open_cm, open_row, opens_row, empty_cm, empty_row, n_rows)


def _block_sizes(gaps: int, block_gaps: int) -> list[int]:
    """Sizes of the blocks of a row, the same from either end, so that reversing a row changes nothing."""
    parts = max(1, round(gaps / block_gaps))
    if parts % 2 == 0 and gaps % 2:
        parts += 1  # an odd number of gaps has no two equal halves
    cut = np.round(np.linspace(0, gaps, parts + 1)[: parts // 2 + 1]).astype(int)
    half = list(np.diff(cut))
    middle = [gaps - 2 * int(cut[-1])] if parts % 2 else []
    return [int(size) for size in [*half, *middle, *half[::-1]]]


def phases_for(placement_per_spacing: float) -> int:
    """How many phases the likelihood needs at a placement SD. [multiples of spacing]"""
    return int(np.ceil(PHASES_PER_SD / max(placement_per_spacing, 0.02))) + 4


def log_likelihood(rows: Rows, p: Parameters, phases: int) -> np.ndarray:
    """Log composite likelihood of each row under each parameter set. -> (p, rows)"""
    n = len(p.spacing)
    total = np.zeros((n, rows.n_rows))
    if rows.steps.size:
        reach = 4.5 * float(p.double_scale.max())
        # sets of parameters have nothing to do with each other: some at a time, and never one alone if there are more
        lots = max(1, min(n // 2, n * phases * rows.steps.shape[1] // LARGEST_BLOCK))
        for own in np.array_split(np.arange(n), lots):
            block = _blocks(rows, p.take(own), phases, reach)
            for i, one in zip(own, block, strict=True):
                total[i] += np.bincount(rows.row_of_block, weights=one, minlength=rows.n_rows)
    mean = p.spacing / ((1 - p.skip) * (1 + p.double))
    if len(rows.open_cm):
        tail = np.log(np.maximum(_longer(rows.open_cm, p), 1e-300)) - rows.opens_row * np.log(mean)
        for i in range(n):
            total[i] += np.bincount(rows.open_row, weights=tail[i], minlength=rows.n_rows)
    if len(rows.empty_cm):
        none = np.log(np.maximum(_longer_mean(rows.empty_cm, p) / mean, 1e-300))
        for i in range(n):
            total[i] += np.bincount(rows.empty_row, weights=none[i], minlength=rows.n_rows)
    return total


def _double_density(gap: np.ndarray, p: Parameters) -> np.ndarray:
    return 2 / (_ROOT_2PI * p.double_scale) * np.exp(-0.5 * (gap / p.double_scale) ** 2)


def _broken_density(gap: np.ndarray, p: Parameters) -> np.ndarray:
    """Density of gaps across which the rhythm is lost.

    Even up to one spacing, and falling beyond as skips make gaps fall, so that a long hole counts as missing plants
    either way.
    """
    logq = np.log(p.skip)
    return (
        BREAK
        / (p.spacing * (1 - 1 / logq))
        * np.exp(np.maximum(logq * np.maximum(gap / p.spacing - 1, 0.0), _FAINTEST))
    )


def _density(off: np.ndarray, var: np.ndarray, spacing: np.ndarray) -> np.ndarray:
    """Normal density of a plant `off` its nearest place, for the place before, this and the next one. (3, f, p, b)"""
    error = (off - _SIDE) * spacing
    return np.exp(-0.5 / var * error**2) / (_ROOT_2PI * np.sqrt(var))


def _next_place(state: np.ndarray, steps: np.ndarray, p: Parameters) -> np.ndarray:
    """Probability of each of three places as the next filled one, from those of the last one.

    `steps` counts the places from the middle one of three to the middle one of the next three. (f, p, b)
    """
    logq = np.log(p.skip)
    # sums over the old places that are passed: none, the first, the first two, all three
    q = p.skip
    one = state[0] * q
    two = one + state[1]
    three = two + state[2] / q
    base = np.exp(np.maximum(logq * (steps - 1), _FAINTEST)) * (1 - q)
    least, most = steps < 0.5, steps > 1.5
    new = np.empty_like(state)
    new[0] = np.where(least, 0.0, np.where(most, np.where(steps > 2.5, three, two), one)) / q
    new[1] = np.where(least, one, np.where(most, three, two))
    new[2] = np.where(least, two, three) * q
    new *= base
    return new


def _same_place(state: np.ndarray, steps: np.ndarray) -> np.ndarray:
    """The same places named from another plant, `steps` places further on."""
    before, middle, after = state
    zero = 0.0
    return np.stack([
        np.where(steps == 0, before, np.where(steps == 1, middle, np.where(steps == 2, after, zero))),
        np.where(steps == 0, middle, np.where(steps == 1, after, zero)),
        np.where(steps == 0, after, zero),
    ])  # fmt: skip


def _blocks(rows: Rows, p: Parameters, phases: int, reach: float) -> np.ndarray:
    """Log likelihood of each block, given where its first plant stands; pairs are no further apart than `reach`. [cm]

    -> (p, b)
    """
    n, blocks = len(p.spacing), rows.steps.shape[1]
    d, spread = p.double, p.placement**2
    beyond, beyond_var = _HALF_NORMAL_MEAN * p.double_scale, _HALF_NORMAL_VAR * p.double_scale**2
    any_plant = 1 / (1 + d)
    phase = ((np.arange(phases) + 0.5) / phases)[:, None, None]
    cell = p.spacing / phases

    def seen_from(ahead: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Number of the place nearest to a point, and how far the point is beyond it. [spacings]"""
        at = ahead - phase
        number = np.rint(at)
        return number, at - number

    m = blocks
    ahead = np.zeros((n, m))  # of the first plant of the block [spacings]
    number, off = seen_from(ahead)
    alone = _density(off, spread + rows.noise[0], p.spacing) * cell
    far = _density(off - beyond / p.spacing, spread + beyond_var + rows.noise[0], p.spacing) * cell
    # the first plant: alone or the second of a pair whose first stands before the block
    closed = any_plant * ((1 - d / 2) * alone + d / 2 * far)
    opening = any_plant * d / 2 * alone
    before, number_before = np.zeros_like(closed), number
    log_scale = np.zeros((n, blocks))
    out = np.zeros((n, blocks))
    for g in range(1, len(rows.steps) + 1):
        m = rows.active[g]
        closed, opening, before = closed[..., :m], opening[..., :m], before[..., :m]
        last, number_before, gap = number[..., :m], number_before[..., :m], rows.steps[g - 1, :m]
        ahead = ahead[:, :m] + gap / p.spacing
        number, off = seen_from(ahead)
        var = spread + rows.noise[g, :m]
        density = _density(off, var, p.spacing)
        lost = closed.sum(axis=(0, 1)) * _broken_density(gap, p) * cell
        alone = ((1 - BREAK) * _next_place(closed, number - last, p) + lost) * density
        near = np.flatnonzero(gap < reach)
        pairs = None
        if len(near):
            # a pair whose first plant is the one of the place, and one whose second is
            pair = _double_density(gap[near], p)
            pairs = pair * _same_place(opening[..., near], number[..., near] - last[..., near])
            if g == 1:
                second = any_plant * cell
            else:
                second = _next_place(before[..., near], number[..., near] - number_before[..., near], p)
            pairs = pairs + d / 2 * pair * second * density[..., near]
        ends = rows.active[g + 1]
        if ends < m:
            # plants of a pair may be parted by the end of the block: the other stands beyond it
            at = slice(ends, m)
            far = _density(off[..., at] + beyond / p.spacing, var[:, at] + beyond_var, p.spacing)
            pending = _next_place(closed[..., at], number[..., at] - last[..., at], p) * far
            total = (1 - d / 2) * alone[..., at] + d / 2 * pending
            ending = total.sum(axis=(0, 1))
            if pairs is not None:
                extra = np.zeros((n, m))
                extra[:, near] = pairs.sum(axis=(0, 1))
                ending = ending + extra[:, at]
            out[:, at] = np.log(np.maximum(ending, 1e-300)) + log_scale[:, at]
        before, number_before = closed, last
        closed, opening = (1 - d) * alone, d / 2 * alone
        if pairs is not None:
            closed[..., near] += pairs
        scale = np.maximum((closed + opening).sum(axis=(0, 1)), 1e-300)
        log_scale[:, :m] += np.log(scale)
        closed, opening, before = closed / scale, opening / scale, before / scale
    return out


def _terms(length: np.ndarray, p: Parameters) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Multiples k that matter for tails beyond a length, shares of those gaps, and the share of longer ones."""
    k = np.arange(1.0, np.ceil(float(length.max()) / float(p.spacing.min())) + 7)[:, None, None]
    share = (1 - p.skip) * p.skip ** (k - 1)
    return k, share, p.skip ** k[-1]


def _longer(length: np.ndarray, p: Parameters) -> np.ndarray:
    """Share of gaps longer than a length. (e,) [cm] -> (p, e)"""
    from scipy.special import erfc, ndtr

    k, share, rest = _terms(length, p)
    sd = np.sqrt(2 * p.placement**2)
    between = (share * ndtr((k * p.spacing - length) / sd)).sum(axis=0) + rest
    within = erfc(length / (np.sqrt(2) * p.double_scale))
    return (between + p.double * within) / (1 + p.double)


def _longer_mean(length: np.ndarray, p: Parameters) -> np.ndarray:
    """Mean of what gaps are longer than a length: the integral of :func:`_longer`. (z,) [cm] -> (p, z) [cm]"""
    from scipy.special import ndtr

    k, share, rest = _terms(length, p)
    sd = np.sqrt(2 * p.placement**2)
    z = (k * p.spacing - length) / sd
    between = (share * sd * (z * ndtr(z) + np.exp(-0.5 * z**2) / _ROOT_2PI)).sum(axis=0)
    between = between + rest * ((k[-1] + 1 / (1 - p.skip)) * p.spacing - length)
    return between / (1 + p.double)
