"""Seed places: gaps along a row put back on the rhythm of the planter, missed places in between.

Rounding each gap by itself errs wherever placement scatters: a seed that falls half a spacing late makes one gap
short and the next one long, though nothing was skipped. Here the rhythm is followed along the row instead: the
place where the next seed was due is predicted from all plants before, and the assignment of plants to places with
the greatest likelihood is kept (a beam of hypotheses, each with its own Kalman filter of the phase).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from standcam.spacing.metrics import OPEN

KEYS = ["photo", "plot", "row"]
_BEAM = 6
_MOST_MISSING = 9
_DRIFT = 0.015
"""Random walk of the rhythm from one place to the next, by wheel slip and errors of scale. [spacings]"""
_DOUBLE_SPREAD = 0.18
"""Spread of the second seed of a double about its place. [spacings]"""
_STRAY = 0.02
"""Share of plants that may stand anywhere about their place, so that one stray does not shift the rhythm."""
AT_ONCE = 256
"""Stretches that are followed side by side; bounds memory."""
LARGEST_BLOCK = 60_000
"""Numbers held at once while shuffling; bounds memory."""


@dataclass(frozen=True)
class SeedPlaces:
    """Every seed place of the measured stretches, filled or not, in the order of the row."""

    keys: pd.DataFrame
    """photo, plot and row of the stretches. (s, 3)"""
    stretch: np.ndarray
    """Stretch of each place, index into `keys`. (n,)"""
    plants: np.ndarray
    """Plants in each place: 0 missing, 1, 2 and more for doubles. (n,)"""
    offset_cm: np.ndarray
    """How far its first plant stands behind (+) or before (-) where it was due; NaN where that cannot be told:
    missing places, and the first plant of a stretch, which sets the rhythm. (n,) [cm]"""
    spacing_cm: float

    @property
    def missing(self) -> np.ndarray:
        """Whether a place holds no plant. (n,) bool"""
        return self.plants == 0

    @property
    def doubled(self) -> np.ndarray:
        """Whether a place holds more than one plant. (n,) bool"""
        return self.plants > 1

    @property
    def lengths(self) -> np.ndarray:
        """Seed places of each stretch. (s,)"""
        return np.bincount(self.stretch, minlength=len(self.keys))

    def take(self, wanted: np.ndarray) -> SeedPlaces:
        """The places of some stretches only. (s,) bool"""
        number = np.cumsum(wanted) - 1
        keep = wanted[self.stretch]
        return SeedPlaces(
            self.keys[wanted].reset_index(drop=True),
            number[self.stretch[keep]],
            self.plants[keep],
            self.offset_cm[keep],
            self.spacing_cm,
        )


def seed_places(
    gaps: pd.DataFrame,
    spacing_cm: float,
    placement_sd_cm: float,
    skip_share: float = 0.05,
    double_share: float = 0.03,
) -> SeedPlaces:
    """Assign the plants of each stretch to seed places.

    Open ends count for the places that must lie in them: an open end of 40 cm at a spacing of 16.5 cm holds two
    missed ones. Leave the open ends out of ``gaps`` where the row was read from plant to plant.

    Parameters
    ----------
    gaps : DataFrame
        GAPS, each stretch in the order of its plants.
    spacing_cm, placement_sd_cm : float
        Seed spacing, and scatter of a plant about its place. [cm]
    skip_share, double_share : float
        How common missing places and doubles are; they decide doubtful cases only. [1]

    Returns
    -------
    SeedPlaces
    """
    if not (spacing_cm > 0 and np.isfinite(spacing_cm)):
        raise ValueError(f"spacing_cm is {spacing_cm}")
    code = pd.factorize(pd.MultiIndex.from_frame(gaps[KEYS]))[0]
    keys = gaps[KEYS].drop_duplicates().reset_index(drop=True)
    n_stretch = len(keys)
    if not n_stretch:
        return SeedPlaces(keys, np.zeros(0, int), np.zeros(0, int), np.zeros(0), float(spacing_cm))
    order = np.lexsort((np.arange(len(gaps)), gaps["from_cm"].to_numpy(float), code))
    code = code[order]
    gap = gaps["gap_cm"].to_numpy(float)[order] / spacing_cm
    is_open = gaps["kind"].to_numpy(object)[order] == OPEN
    starts = is_open & gaps["from_plant"].isna().to_numpy()[order]

    closed_gap, closed_code = gap[~is_open], code[~is_open]
    per = np.bincount(closed_code, minlength=n_stretch)
    column = np.arange(len(closed_gap)) - np.repeat(np.cumsum(per) - per, per)
    table = np.full((n_stretch, max(per.max(initial=0), 1)), np.nan)
    table[closed_code, column] = closed_gap
    sd = float(np.clip(placement_sd_cm / spacing_cm, 0.02, 0.45)) if np.isfinite(placement_sd_cm) else 0.15
    skip = float(np.clip(np.nan_to_num(skip_share, nan=0.05), 0.005, 0.6))
    double = float(np.clip(np.nan_to_num(double_share, nan=0.03), 0.003, 0.4))
    followed = [_follow(table[n : n + AT_ONCE], sd, skip, double) for n in range(0, n_stretch, AT_ONCE)]
    steps, offsets, ahead = (np.concatenate(part) for part in zip(*followed, strict=True))

    # what must lie in the open ends
    before, behind = np.zeros(n_stretch, int), np.zeros(n_stretch, int)
    bare = np.zeros(n_stretch, bool)
    alone = np.bincount(code, minlength=n_stretch) == 1
    for at, length, at_start in zip(code[is_open], gap[is_open], starts[is_open], strict=True):
        if at_start and alone[at]:  # a stretch without plants, one open gap
            bare[at] = True
            before[at] = int(length)
        elif at_start:
            before[at] = int(length)
        else:
            behind[at] = max(int(np.floor(length - ahead[at])), 0)

    parts_stretch, parts_plants, parts_offset = [], [], []
    for at in range(n_stretch):
        if bare[at]:
            plants = np.zeros(before[at], int)
            offset = np.full(before[at], np.nan)
        else:
            place = before[at] + np.concatenate([[0], np.cumsum(steps[at, : per[at]])]).astype(int)
            total = place[-1] + 1 + behind[at]
            plants = np.bincount(place, minlength=total)
            offset = np.full(total, np.nan)
            first = np.concatenate([[False], steps[at, : per[at]] > 0])
            offset[place[first]] = offsets[at, : per[at]][first[1:]] * spacing_cm
        parts_stretch.append(np.full(len(plants), at))
        parts_plants.append(plants)
        parts_offset.append(offset)
    return SeedPlaces(
        keys,
        np.concatenate(parts_stretch),
        np.concatenate(parts_plants),
        np.concatenate(parts_offset),
        float(spacing_cm),
    )


def _follow(table: np.ndarray, sd: float, skip: float, double: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Places moved on by each gap, offset of its plant, and where the last place lies ahead of its plant.

    (s, t) -> (s, t) int, (s, t), (s,); all in spacings. The stretches are followed side by side.
    """
    n, length = table.shape
    k = np.arange(_MOST_MISSING + 2)
    log_prior = np.where(
        k == 0, np.log(double), np.log(1 - double) + np.log(1 - skip) + np.maximum(k - 1, 0) * np.log(skip)
    )
    ahead = np.zeros((n, _BEAM))  # where the rhythm has the last plant's place, seen from that plant
    var = np.full((n, _BEAM), sd**2)
    score = np.full((n, _BEAM), -np.inf)
    score[:, 0] = 0.0
    step = np.zeros((length, n, _BEAM), np.int64)
    parent = np.zeros((length, n, _BEAM), np.int64)
    offset = np.zeros((length, n, _BEAM))
    each = np.arange(n)[:, None]
    for t in range(length):
        gap = table[:, t][:, None, None]
        going = np.isfinite(table[:, t])
        gap = np.where(np.isfinite(gap), gap, 0.0)
        # a very long gap: no class of its own, the nearest whole number of places
        base = np.maximum(np.round(gap - ahead[:, :, None]) - _MOST_MISSING, 0)
        steps = np.where(k == 0, 0, k + base)
        due = gap - ahead[:, :, None] - steps
        spread = np.where(k == 0, sd**2 + _DOUBLE_SPREAD**2, var[:, :, None] + sd**2 + np.maximum(steps, 1) * _DRIFT**2)
        normal = np.exp(-0.5 * due**2 / spread) / np.sqrt(2 * np.pi * spread)
        density = (1 - _STRAY) * normal + _STRAY * (np.abs(due) < 0.75)
        with np.errstate(divide="ignore"):
            total = score[:, :, None] + log_prior + base * np.log(skip) + np.log(density)
        flat = total.reshape(n, -1)
        best = np.argsort(-flat, axis=1, kind="stable")[:, :_BEAM]
        from_beam, from_k = np.divmod(best, len(k))
        pick = (each, from_beam, from_k)
        prior_var = var[each, from_beam] + np.maximum(steps[pick], 0) * _DRIFT**2
        trust = (1 - _STRAY) * normal[pick] / np.maximum(density[pick], 1e-300)
        gain = np.where(from_k == 0, 0.0, prior_var / (prior_var + sd**2) * trust)
        new_ahead = -due[pick] * (1 - gain)
        new_var = prior_var * (1 - gain)
        keep = going[:, None]
        own = np.broadcast_to(np.arange(_BEAM), (n, _BEAM))
        step[t] = np.where(keep, steps[pick], 0)
        parent[t] = np.where(keep, from_beam, own)
        # scaled to the scatter of a plant about a rhythm that is known exactly
        offset[t] = np.where(keep, due[pick] * np.sqrt(sd**2 / (prior_var + sd**2)), 0.0)
        ahead = np.where(keep, new_ahead, ahead)
        var = np.where(keep, new_var, var)
        score = np.where(keep, flat[each, best], score)
    at = np.argmax(score, axis=1)
    line = np.arange(n)
    last_ahead = ahead[line, at]
    out_step, out_offset = np.zeros((n, length)), np.zeros((n, length))
    for t in range(length - 1, -1, -1):
        out_step[:, t] = step[t, line, at]
        out_offset[:, t] = offset[t, line, at]
        at = parent[t, line, at]
    return out_step.astype(int), out_offset, last_ahead


@dataclass(frozen=True)
class Displaced:
    """Pairs of a short and a long spacing that together make two: one seed out of place, nothing skipped."""

    pairs: int
    """Pairs found."""
    by_chance: float
    """Pairs expected where doubles and skips fall beside each other by chance."""
    p_value: float
    """How often chance gives as many."""
    short_gaps: int
    long_gaps: int

    @property
    def excess(self) -> float:
        """Pairs beyond chance."""
        return max(self.pairs - self.by_chance, 0.0)


def displaced_pairs(gaps: pd.DataFrame, spacing_cm: float, seed: int = 20, shuffles: int = 499) -> Displaced:
    """Count short spacings beside long ones whose sum is about two spacings, and compare with chance.

    Short is up to 0.5, long above 1.5 and up to 2.5 theoretical spacings (the classes of ISO 7256-1), and their sum
    from 1.5 to 2.5. A double beside a true skip looks the same; how often those meet by chance is counted after the
    order of the gaps in each stretch was shuffled.

    Parameters
    ----------
    gaps : DataFrame
        GAPS in the order of the row; open ends are passed over.
    spacing_cm : float
        Seed spacing. [cm]
    """
    closed = gaps[gaps["kind"].to_numpy(object) != OPEN]
    code = pd.factorize(pd.MultiIndex.from_frame(closed[KEYS]))[0]
    order = np.lexsort((closed["from_cm"].to_numpy(float), code))
    code = code[order]
    multiple = closed["gap_cm"].to_numpy(float)[order] / spacing_cm
    short, long = multiple <= 0.5, (multiple > 1.5) & (multiple <= 2.5)
    found = int(_pairs(code[None], multiple[None])[0]) if len(code) else 0
    if not len(code) or not short.any() or not long.any():
        return Displaced(found, 0.0, 1.0, int(short.sum()), int(long.sum()))
    rng = np.random.default_rng(seed)
    at_once = max(1, LARGEST_BLOCK // len(code))  # the draws come in the same order however many there are at once
    parts = []
    for done in range(0, shuffles, at_once):
        drawn = rng.random((min(at_once, shuffles - done), len(code)))
        key = np.argsort(drawn + code, axis=1, kind="stable")
        parts.append(_pairs(np.broadcast_to(code, key.shape), multiple[key]))
    shuffled = np.concatenate(parts)
    p = (1 + int((shuffled >= found).sum())) / (1 + shuffles)
    return Displaced(found, float(shuffled.mean()), p, int(short.sum()), int(long.sum()))


def _pairs(code: np.ndarray, multiple: np.ndarray) -> np.ndarray:
    """Pairs in each line, no gap in two of them. (b, n) -> (b,)"""
    a, b = multiple[:, :-1], multiple[:, 1:]
    small, large = np.minimum(a, b), np.maximum(a, b)
    total = a + b
    pair = (code[:, 1:] == code[:, :-1]) & (small <= 0.5) & (large > 1.5) & (large <= 2.5)
    pair &= (total >= 1.5) & (total <= 2.5)
    # short-long-short holds one pair, not two: of pairs on end the first counts, the third, and so on
    at = np.arange(pair.shape[1], dtype=np.int32)
    since = at - np.maximum.accumulate(np.where(pair, np.int32(-1), at), axis=1)
    return np.count_nonzero(since % 2 == 1, axis=1)
