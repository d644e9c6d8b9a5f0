"""Plants followed from visit to visit along one section of row.

The fullest visit is the scale. Every other visit is laid on it by its boards where plants bear them out, else by the
plants alone. Then the plants are paired, visit by visit, with those known so far.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from standcam.chain.links import Piece, by_board
from standcam.settings import ChainSettings
from standcam.validation.align import AlignSettings, align
from standcam.validation.match import match


@dataclass(frozen=True)
class VisitSettings:
    """How plants of several days are matched."""

    tolerance_cm: float | None = None
    """Plants of two visits nearer than this are one. None: a quarter of the spacing, from 1 to 3 cm. Wrong where wind
    or rain bent the plants. [cm]"""
    board_reach_cm: float = 4.0
    """How far plants may lie from where boards have them. [cm]"""
    least_again: float = 0.6
    """Share of the plants of the emptier visit that the fuller must show where the boards have them; below, the boards
    were laid anew and do not count. [1]"""
    stretch_pct: float = 3.0
    """Scales of two visits may differ by this. [%]"""
    edge_cm: float = 2.0
    """Plants so near to an end of a visit's stretch need not show in it. [cm]"""
    late_days: float = 5.0
    """A plant is late that came up this long or longer after half of its plot: 5 to 7 days are the survey class "late"
    in North Dakota (Ransom), two leaf stages or some 12 days the definition of Liu et al. 2004. [days]"""


@dataclass(frozen=True)
class Look:
    """One row on one visit."""

    visit: int
    """Number of the visit, from 0."""
    piece: Piece
    begin_cm: float
    """Where its stretch begins on the scale of its positions. [cm]"""
    number: np.ndarray
    """Numbers of its crop plants, in the order of ``piece.crop_cm``. (n,) int"""
    same_zero: bool = False
    """Read from the same peg as the others."""


@dataclass(frozen=True)
class Laid:
    """A look laid on the scale of its section."""

    look: Look
    place_cm: np.ndarray
    """Its plants on that scale. (n,)"""
    doubt_cm: np.ndarray
    """Its doubtful finds. (k,)"""
    stretch_cm: tuple[float, float]
    how: str
    """By what: its own scale, boards, plants, the same zero."""
    off_cm: float = math.nan
    """Root mean square distance of plants from those of the fullest visit. [cm]"""


@dataclass
class Section:
    """A section of row with its plants over all visits."""

    plot: str
    laid: tuple[Laid, ...]
    """In order of the visits."""
    lost_looks: tuple[tuple[Look, str], ...]
    """Looks that could not be laid, and why."""
    place_cm: np.ndarray
    """(n,)"""
    seen: np.ndarray
    """1 seen, 0 looked and not seen, NaN not known. (n, visits)"""
    sighting: np.ndarray
    """Index of the plant in its look; -1 not seen. (n, visits)"""
    common_cm: tuple[float, float] = field(default=(math.nan, math.nan))
    """Stretch that all visits laid cover."""

    @property
    def everywhere(self) -> np.ndarray:
        """Which plants stand on the common stretch. (n,) bool"""
        low, high = self.common_cm
        return (self.place_cm >= low) & (self.place_cm <= high)


def follow(plot: str, looks: Sequence[Look], visits: int, settings: VisitSettings | None = None) -> Section:
    """Lay the looks at one section over each other and pair their plants.

    Parameters
    ----------
    plot : str
    looks : sequence of Look
        One a visit at most.
    visits : int
        How many visits there are.
    """
    settings = settings or VisitSettings()
    fullest = max(looks, key=lambda k: (len(k.piece.crop_cm), k.piece.length_cm))
    tolerance = settings.tolerance_cm or _tolerance(fullest)
    laid: list[Laid] = []
    lost: list[tuple[Look, str]] = []
    for look in sorted(looks, key=lambda k: k.visit):
        if look is fullest:
            own = look.piece.crop_cm.astype(float)
            laid.append(Laid(look, own, look.piece.doubt_cm, (0.0, look.piece.length_cm), "its own scale"))
            continue
        found, why = _lay(look, fullest, tolerance, settings)
        if found is None:
            lost.append((look, why))
        else:
            laid.append(found)
    places, seen, sighting = _pair(laid, fullest.visit, visits, tolerance, settings.edge_cm)
    low = max(one.stretch_cm[0] for one in laid)
    high = min(one.stretch_cm[1] for one in laid)
    order = np.argsort(places, kind="stable")
    common = (low, high) if high > low else (math.nan, math.nan)
    return Section(plot, tuple(laid), tuple(lost), places[order], seen[order], sighting[order], common)


def _tolerance(look: Look) -> float:
    spacing = look.piece.length_cm / max(len(look.piece.crop_cm), 1)
    return min(max(0.25 * spacing, 1.0), 3.0)


def _lay(look: Look, base: Look, tolerance: float, settings: VisitSettings) -> tuple[Laid | None, str]:
    a, b = look.piece, base.piece
    told = ""
    if look.same_zero and base.same_zero:
        return _settled(look, base, 1, look.begin_cm - base.begin_cm, 1.0, "the same zero", tolerance), ""
    if a.marks and b.marks:
        link = by_board([a, b], 0, 1, ChainSettings())
        if link is not None:
            laid = _by_boards(look, base, link.direction, link.shift_cm, tolerance, settings)
            if laid is not None:
                return laid, ""
            told = "its boards lie elsewhere than on the fullest visit, and "
    few, many = sorted((len(a.crop_cm), len(b.crop_cm)))
    alone = float(np.clip(1 - few / max(many, 1) + 0.1, 0.1, 0.45))
    lying = align(
        a.crop_cm,
        b.crop_cm,
        (0.0, a.length_cm),
        (0.0, b.length_cm),
        AlignSettings(tolerance_cm=tolerance, alone_share=alone, sure_odds=100.0),
    )
    if lying.sure and lying.place is not None:
        place = lying.place
        laid = _settled(look, base, place.direction, place.offset_cm, place.scale, "plants", tolerance)
        return laid, ""
    return None, f"{told}its plants do not tell where it lies ({lying.reason})"


def _by_boards(
    look: Look, base: Look, direction: int, shift: float, tolerance: float, settings: VisitSettings
) -> Laid | None:
    """The look by its boards, moved to where its plants fall on those of the base; None where they do not."""
    a, b = look.piece.crop_cm, base.piece.crop_cm
    low, high = 0.0, base.piece.length_cm
    moved = shift + direction * a
    inside = moved[(moved >= low) & (moved <= high)]
    theirs = b[(b >= min(shift, shift + direction * look.piece.length_cm)) &
               (b <= max(shift, shift + direction * look.piece.length_cm))]  # fmt: skip
    fewest = min(len(inside), len(theirs))
    if fewest < 3:
        return _settled(look, base, direction, shift, 1.0, "boards", tolerance)
    # lengths of two visits differ by some per cent: boards hold the place where they lie, plants the rest
    pivot = float(np.mean([base.piece.marks[m][0] for m in look.piece.marks if m in base.piece.marks]))
    best: tuple[float, int, float, float] | None = None
    for scale in 1 + np.linspace(-1, 1, 19) * settings.stretch_pct / 100:
        for step in np.arange(-settings.board_reach_cm, settings.board_reach_cm + 0.01, 1.0):
            there = pivot + scale * (inside - pivot) + step
            pairs = match(there, theirs, tolerance)
            if len(pairs):
                # near pairs tell more than many at the edge of the tolerance
                worth = float((1 - (pairs.distance / tolerance) ** 2).sum())
                if best is None or worth > best[0]:
                    best = (worth, len(pairs), float(scale), float(step))
    if best is None or best[1] < settings.least_again * fewest:
        return None
    scale, offset = best[2], pivot * (1 - best[2]) + best[3]
    for _ in range(5):
        pairs = match(offset + scale * inside, theirs, tolerance)
        x, y = inside[pairs.found], theirs[pairs.true]
        if len(x) >= 4 and np.ptp(x) > 0.3 * base.piece.length_cm:
            slope = float(np.polyfit(x, y, 1)[0])
            scale = min(max(slope, 1 - settings.stretch_pct / 100), 1 + settings.stretch_pct / 100)
        offset = float(np.mean(y - scale * x))
    return _settled(look, base, direction, offset + scale * shift, scale, "boards", tolerance)


def _settled(look: Look, base: Look, direction: int, offset: float, scale: float, how: str, tolerance: float) -> Laid:
    def to_base(x: np.ndarray) -> np.ndarray:
        return offset + direction * scale * np.asarray(x, float)

    place = to_base(look.piece.crop_cm)
    ends = sorted(float(v) for v in to_base(np.array([0.0, look.piece.length_cm])))
    pairs = match(place, base.piece.crop_cm, tolerance)
    off = float(np.sqrt(np.mean(pairs.distance**2))) if len(pairs) else math.nan
    return Laid(look, place, to_base(look.piece.doubt_cm), (ends[0], ends[1]), how, off)


def _pair(
    laid: Sequence[Laid], base: int, visits: int, tolerance: float, edge: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Plants of all looks: places, what each visit saw, and which of its plants that is."""
    # from the fullest look outward in time: neighbouring days differ least
    order = sorted(laid, key=lambda one: abs(one.look.visit - base))
    places = np.zeros(0)
    total, times = np.zeros(0), np.zeros(0)
    sighting = np.zeros((0, visits), int)
    for one in order:
        pairs = match(places, one.place_cm, tolerance)
        sighting[pairs.found, one.look.visit] = pairs.true
        total[pairs.found] += one.place_cm[pairs.true]
        times[pairs.found] += 1
        new = pairs.true_alone(len(one.place_cm))
        rows = np.full((len(new), visits), -1)
        rows[:, one.look.visit] = new
        sighting = np.concatenate([sighting, rows])
        total, times = np.r_[total, one.place_cm[new]], np.r_[times, np.ones(len(new))]
        places = total / times
    seen = np.full((len(places), visits), np.nan)
    for one in laid:
        v = one.look.visit
        there = sighting[:, v] >= 0
        low, high = one.stretch_cm
        looked = (places > low + edge) & (places < high - edge)
        seen[looked, v] = 0.0
        seen[there, v] = 1.0
        # a find that was not counted may be the plant
        maybe = np.flatnonzero(looked & ~there)
        if len(maybe) and len(one.doubt_cm):
            near = match(places[maybe], one.doubt_cm, tolerance)
            seen[maybe[near.found], v] = np.nan
    return places, seen, sighting


def without_early_finds(seen: np.ndarray) -> np.ndarray:
    """What each visit saw, less first sightings that the next two looks do not bear out. (n, visits)

    A plant that stands is missed twice running less often than a clod or a weed is taken for one; its first sighting
    is then not known, and the plant counts from the next one.
    """
    out = seen.copy()
    for line in out:
        while True:
            yes = np.flatnonzero(line == 1)
            if len(yes) < 2 or (line[yes[0] + 1 : yes[1]] == 0).sum() < 2:
                break
            line[yes[0]] = np.nan
    return out


@dataclass(frozen=True)
class Life:
    """What the visits tell of each plant of a section; visits by number, -1 for none."""

    not_before: np.ndarray
    """Last visit before the first sighting that looked and did not see it."""
    first: np.ndarray
    last: np.ndarray
    seen: np.ndarray
    """How many visits show it."""
    missed: np.ndarray
    """Visits between that looked and did not see it."""
    absent: np.ndarray
    """Visits after that looked and did not see it."""
    lost: np.ndarray
    """Seen twice or more, then looked for twice or more and not seen."""
    unseen_last: np.ndarray
    """Seen twice or more, and not on the one look after: lost, or missed in the photo."""
    doubtful: np.ndarray
    """Seen once, and not on a look after."""


def lives(seen: np.ndarray) -> Life:
    """First and last seen, lost and doubtful, from what each visit saw. (n, visits)"""
    n, visits = seen.shape
    seen = without_early_finds(seen)
    at = np.arange(visits)
    yes, no = seen == 1, seen == 0
    first = np.where(yes, at, visits).min(axis=1, initial=visits) if n else np.zeros(0, int)
    last = np.where(yes, at, -1).max(axis=1, initial=-1) if n else np.zeros(0, int)
    before = np.where(no & (at < first[:, None]), at, -1).max(axis=1, initial=-1) if n else np.zeros(0, int)
    missed = (no & (at > first[:, None]) & (at < last[:, None])).sum(axis=1)
    absent = (no & (at > last[:, None])).sum(axis=1)
    times = yes.sum(axis=1)
    often = times > 1
    return Life(
        before, first, last, times, missed, absent,
        (absent > 1) & often, (absent == 1) & often, (absent > 0) & (times == 1),
    )  # fmt: skip
