"""Laying two lists of positions of one row over each other: unknown offset, direction and a small scale error.

The zero of a tape lies anywhere beside that of a photo, the tape may have been read the other way round, and a
photo's scale may be some per cent off. Plants are missed and added besides. So all differences of positions of
the two lists vote for an offset, in both directions and over a grid of scales; the best places are refined by
pairing one to one and a straight line through the pairs, and compared by their likelihood.

A row of even spacing fits itself shifted by one spacing. How sure the best place is against all others is
therefore part of the result, and a place that is not plainly better than the next is not claimed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from standcam.errors import BadSettings
from standcam.estimate import Estimate
from standcam.validation.match import Pairs, match

OK, AMBIGUOUS, NO_FIT, TOO_FEW = "ok", "ambiguous", "no_fit", "too_few"


@dataclass(frozen=True)
class AlignSettings:
    """What two lists of one row may differ by."""

    max_scale_pct: float = 3.0
    """Scale errors up to this, either way, are searched. Wrong for photos whose scale was guessed (camera height by
    eye): give 10. Wider makes wrong places fit better. [%]"""
    tolerance_cm: float | None = None
    """Largest distance of a pair. None: a quarter of the mean spacing of the list with more plants per length, from
    1 to 4 cm. [cm]"""
    alone_share: float = 0.1
    """Share of plants of either list that the other is expected to lack. Only weighs places against each other."""
    sure_odds: float = 30.0
    """The best place must be this many times as likely as all others together. Of 480 simulated photos of 1.5 to
    2.5 m of a 6 m row (placement scatter 5 to 30 %, a tenth missed) 314 were claimed at 30, none wrongly; of as many
    photos of another row 16 were. Wrong where rows may be mixed up: give 1000."""
    fewest_pairs: int = 4
    """With fewer pairs a place is never claimed: three spacings in a row recur by chance."""

    def __post_init__(self) -> None:
        if not 0 <= self.max_scale_pct <= 30:
            raise BadSettings(f"Largest scale difference is {self.max_scale_pct} %.", "Give 0 to 30 %.")
        if self.tolerance_cm is not None and not self.tolerance_cm > 0:
            raise BadSettings(f"Pairing tolerance is {self.tolerance_cm} cm.", "It must be greater than zero.")
        if not 0 < self.alone_share < 0.5:
            raise BadSettings(f"alone_share is {self.alone_share}.", "Give a share between 0 and 0.5.")
        if not self.sure_odds >= 1:
            raise BadSettings(f"sure_odds is {self.sure_odds}.", "Give 1 or more.")


@dataclass(frozen=True)
class Place:
    """One way to lay the photo's list over the tape's: ``tape = offset + direction * scale * photo``."""

    offset_cm: float
    """Where the photo's zero lies on the tape. [cm]"""
    direction: int
    """1 forward, -1 reversed."""
    scale: float
    """Tape length of one photo length; 1.01: the photo reads 1 % short. [1]"""

    def to_tape(self, photo_cm: np.ndarray) -> np.ndarray:
        """Photo positions on the tape. (n,) [cm] -> (n,) [cm]"""
        return self.offset_cm + self.direction * self.scale * np.asarray(photo_cm, float)

    def to_photo(self, tape_cm: np.ndarray) -> np.ndarray:
        """Tape positions in the photo. (n,) [cm] -> (n,) [cm]"""
        return (np.asarray(tape_cm, float) - self.offset_cm) / (self.direction * self.scale)


@dataclass(frozen=True)
class Alignment:
    """How the two lists of one row lie to each other."""

    status: str
    """ok; ambiguous: another place fits about as well; no_fit: the lists fit no better than by chance; too_few: too
    few plants to tell."""
    reason: str
    """In words, whatever the status."""
    place: Place | None
    """The best place found, claimed or not; None if there is none."""
    pairs: Pairs
    """Photo (`found`) and tape (`true`) plants that belong together; indices into the lists as given."""
    common_cm: tuple[float, float]
    """Stretch of row, on the tape, that both lists cover; NaN if no place. [cm]"""
    tolerance_cm: float
    """Largest distance of a pair that was used. [cm]"""
    odds: float
    """How many times as likely the best place is as all others together; inf without others."""
    rival: Place | None = None
    """The second best place."""
    scale_pct: Estimate = field(default_factory=lambda: Estimate(math.nan))
    """What the photo reads too much in lengths: -1.2 is 1.2 % short. From the pairs. [%]"""
    scale_at_limit: bool = False
    """The best scale is the farthest that was searched: the true one may lie beyond."""

    @property
    def sure(self) -> bool:
        """Whether the place can be claimed."""
        return self.status == OK


@dataclass
class _Candidate:
    """A place with its pairs and its log evidence against two lists that have nothing to do with each other."""

    place: Place
    pairs: Pairs
    log_evidence: float


def align(
    photo_cm: np.ndarray,
    tape_cm: np.ndarray,
    photo_stretch_cm: tuple[float, float],
    tape_stretch_cm: tuple[float, float],
    settings: AlignSettings | None = None,
    same_zero: bool = False,
    level: float = 0.95,
) -> Alignment:
    """Find how two lists of positions of one row lie to each other.

    Parameters
    ----------
    photo_cm, tape_cm : (n,), (m,) array
        Positions, each on its own scale, in any order. [cm]
    photo_stretch_cm, tape_stretch_cm : (float, float)
        Ends of the stretch that each list covers: plants outside the other's stretch are no mistakes. [cm]
    settings : AlignSettings, optional
    same_zero : bool
        Both count from the same peg in the same direction. The offset is then fitted within the tolerance only,
        and no other place is considered.
    level : float
        Confidence of the interval of the scale. [1]

    Raises
    ------
    ValueError
        A position or an end of a stretch is not finite.
    """
    settings = settings or AlignSettings()
    photo, tape = np.asarray(photo_cm, float), np.asarray(tape_cm, float)
    ends = np.array([photo_stretch_cm, tape_stretch_cm], float)
    if not (np.isfinite(photo).all() and np.isfinite(tape).all() and np.isfinite(ends).all()):
        raise ValueError("positions and ends of stretches must be finite numbers")
    tolerance = settings.tolerance_cm or _quarter_spacing(photo, tape, ends)
    nothing = Pairs(np.empty(0, int), np.empty(0, int), np.empty(0))
    search = _Search(photo, tape, ends, tolerance, settings)
    if min(len(photo), len(tape)) < settings.fewest_pairs:
        if same_zero:
            return search.taken_as_given()
        return Alignment(
            TOO_FEW,
            f"{min(len(photo), len(tape))} plants in one of the lists; {settings.fewest_pairs} are needed",
            None, nothing, (math.nan, math.nan), tolerance, math.nan,
        )  # fmt: skip
    found = search.at_same_zero() if same_zero else search.anywhere()
    if same_zero and (not found or len(found[0].pairs) < settings.fewest_pairs):
        return search.taken_as_given()
    if not found:
        return Alignment(
            NO_FIT, "nowhere do enough plants of the two lists fall together", None, nothing,
            (math.nan, math.nan), tolerance, math.nan,
        )  # fmt: skip
    best, others = found[0], found[1:]
    # against all other places, and against lists of different rows (log evidence 0)
    rest = np.logaddexp.reduce([0.0, *(c.log_evidence for c in others)])
    odds = math.exp(min(best.log_evidence - rest, 700.0))
    rival = others[0].place if others else None
    status, reason = OK, "no other place fits nearly as well"
    if same_zero:
        reason = "zero and direction taken as the same"
    if len(best.pairs) < settings.fewest_pairs:
        status, reason = TOO_FEW, f"only {len(best.pairs)} plants of the two lists fall together"
    elif not same_zero and best.log_evidence < math.log(settings.sure_odds):
        status, reason = NO_FIT, "the two lists fit no better than lists of different rows may by chance"
    elif not same_zero and odds < settings.sure_odds and others:
        status, reason = AMBIGUOUS, _rival_words(best, others[0], search.centre)
    return Alignment(
        status, reason, best.place, best.pairs, search.common(best.place), tolerance, odds, rival,
        _scale_interval(photo[best.pairs.found], tape[best.pairs.true], best.place, level),
        search.reach > 0 and abs(best.place.scale - 1) > search.reach * 0.999,
    )  # fmt: skip


class _Search:
    """All places of one pair of lists."""

    most_candidates = 40
    """Looked at closely, in each direction."""
    sigmas = np.geomspace(0.1, 0.5, 9)
    """Scatter of pairs that is averaged over, as a share of the tolerance."""

    def __init__(
        self, photo: np.ndarray, tape: np.ndarray, ends: np.ndarray, tolerance: float, settings: AlignSettings
    ) -> None:
        self.photo, self.tape, self.ends = photo, tape, ends
        self.tolerance, self.settings = tolerance, settings
        self.reach = settings.max_scale_pct / 100
        self.lengths = np.maximum(ends[:, 1] - ends[:, 0], tolerance)
        self.centre = float(ends[0].mean())
        self.density = len(tape) / self.lengths[1]

    def anywhere(self) -> list[_Candidate]:
        """Refined places, most likely first; each but once."""
        starts = [place for direction in (1, -1) for place in self._votes(direction)]
        return self._best(starts)

    def at_same_zero(self) -> list[_Candidate]:
        """The best place, forward, with the zeros within the tolerance of each other."""
        shifts = np.linspace(-self.tolerance, self.tolerance, 9)
        starts = [Place(float(o), 1, float(s)) for s in self._scales() for o in shifts]
        return self._best(starts, zero=True)[:1]

    def taken_as_given(self) -> Alignment:
        """Zero, direction and scale as they stand: too few plants to fit any of them."""
        place = Place(0.0, 1, 1.0)
        pairs = match(self.photo, self.tape, self.tolerance)
        reason = "zero, direction and scale taken as the same: too few plants fall together to fit them"
        return Alignment(OK, reason, place, pairs, self.common(place), self.tolerance, math.inf)

    def common(self, place: Place) -> tuple[float, float]:
        """Stretch that both lists cover, on the tape. [cm]"""
        low, high = sorted(place.to_tape(self.ends[0]))
        return max(low, float(self.ends[1, 0])), min(high, float(self.ends[1, 1]))

    def _scales(self) -> np.ndarray:
        """Grid on which one step moves the end of the shorter list by no more than half the tolerance."""
        step = self.tolerance / self.lengths.min()
        count = min(math.ceil(self.reach / step), 200)
        return 1 + np.linspace(-self.reach, self.reach, 2 * count + 1) if count else np.ones(1)

    def _votes(self, direction: int) -> list[Place]:
        """The offsets that most pairs agree on, over all scales. The list that covers less is the one moved."""
        photo_moves = self.lengths[0] <= self.lengths[1]
        moved, fixed = (self.photo, self.tape) if photo_moves else (self.tape, self.photo)
        middle = (moved.min() + moved.max()) / 2
        bin_cm = self.tolerance / 4
        span = 0.5 * (moved.max() - moved.min()) * (1 + self.reach) + 2 * self.tolerance
        low, high = fixed.min() - span, fixed.max() + span
        bins = math.ceil((high - low) / bin_cm) + 1
        kernel = np.array([1, 2, 3, 4, 3, 2, 1]) / 4  # a triangle that ends at the tolerance
        scales = self._scales()
        votes = np.empty((len(scales), bins))
        for i, scale in enumerate(scales):
            difference = fixed[:, None] - direction * scale * (moved - middle)[None]
            count = np.bincount(((difference.ravel() - low) / bin_cm).astype(int), minlength=bins)
            votes[i] = np.convolve(count, kernel, "same")
        places = []
        at = votes.argmax(axis=0)
        height = votes.max(axis=0)
        for _ in range(self.most_candidates):
            peak = int(height.argmax())
            if height[peak] < 2:
                break
            scale = float(scales[at[peak]])
            offset = low + (peak + 0.5) * bin_cm - direction * scale * middle
            place = Place(offset, direction, scale)
            places.append(place if photo_moves else Place(-direction * offset / scale, direction, 1 / scale))
            height[max(peak - 4, 0) : peak + 5] = 0
        return places

    def _best(self, starts: list[Place], zero: bool = False) -> list[_Candidate]:
        refined = [c for c in (self._refined(place, zero) for place in starts) if c is not None]
        refined.sort(key=lambda c: -c.log_evidence)
        kept: list[_Candidate] = []
        for candidate in refined:
            if all(self._apart(candidate.place, other.place) for other in kept):
                kept.append(candidate)
        return kept

    def _apart(self, a: Place, b: Place) -> bool:
        """Whether two places differ by more than the tolerance anywhere on what either has in common."""
        where = np.array([*self.common(a), *self.common(b)])
        return a.direction != b.direction or bool(np.abs(b.to_tape(a.to_photo(where)) - where).max() > self.tolerance)

    def _refined(self, place: Place, zero: bool) -> _Candidate | None:
        """Pair, lay a line through the pairs, and again until the pairs stay."""
        before: set[tuple[int, int]] | None = None
        for _ in range(12):
            pairs = match(place.to_tape(self.photo), self.tape, self.tolerance)
            if len(pairs) < 2:
                return None
            now = set(zip(pairs.found.tolist(), pairs.true.tolist(), strict=True))
            if now == before:
                break
            before = now
            place = self._line(pairs, place.direction, zero)
        pairs = match(place.to_tape(self.photo), self.tape, self.tolerance)
        if len(pairs) < 2:
            return None
        return _Candidate(place, pairs, self._log_evidence(place, pairs))

    def _line(self, pairs: Pairs, direction: int, zero: bool) -> Place:
        """Least squares of tape on photo; the scale stays within its bounds."""
        x, y = direction * self.photo[pairs.found], self.tape[pairs.true]
        dx = x - x.mean()
        squares = float(dx @ dx)
        # through fewer pairs a line goes too easily: their scale is noise
        enough = len(pairs) >= self.settings.fewest_pairs and squares > 0
        scale = float(dx @ y) / squares if enough else 1.0
        scale = min(max(scale, 1 - self.reach), 1 + self.reach)
        offset = float(y.mean() - scale * x.mean())
        if zero and abs(offset) > self.tolerance:
            offset = math.copysign(self.tolerance, offset)
        return Place(offset, direction, scale)

    def _log_evidence(self, place: Place, pairs: Pairs) -> float:
        """Log of how much likelier the lists are at this place than if they were of different rows.

        Plants of the tape on the common stretch are seen in the photo, each with a normal error, but for a
        share; a like share of the photo's are extra. Lists of different rows are strewn at random. The error's
        scatter is averaged over; offset and scale over where they might lie (Laplace's approximation: exact
        here, the line being linear), so that long tapes and loose fits need more.
        """
        low, high = self.common(place)
        if high <= low:
            return -math.inf
        slack = 1e-9
        in_tape = (self.tape >= low - slack) & (self.tape <= high + slack)
        seen = place.to_tape(self.photo)
        in_photo = (seen >= low - slack) & (seen <= high + slack)
        k = len(pairs)
        missed = max(int(in_tape.sum()) - k, 0)
        extra = max(int(in_photo.sum()) - k, 0)
        alone = self.settings.alone_share
        residual = seen[pairs.found] - self.tape[pairs.true]
        x = self.photo[pairs.found]
        squares = float(((x - x.mean()) ** 2).sum())
        sigma = self.sigmas * self.tolerance
        # chance that an error stays within the tolerance
        within = np.array([math.erf(self.tolerance / s / math.sqrt(2)) for s in sigma])
        fit = (
            k * np.log((1 - alone) / (self.density * sigma * math.sqrt(2 * math.pi) * within))
            - float(residual @ residual) / (2 * sigma**2)
            + np.log(np.minimum(1, math.sqrt(2 * math.pi / k) * sigma / self.lengths.sum()))
        )
        if self.reach and squares > 0:
            fit += np.log(np.minimum(1, math.sqrt(2 * math.pi / squares) * sigma / (2 * self.reach)))
        return float(
            np.logaddexp.reduce(fit)
            - math.log(2 * len(sigma))  # two directions
            + (missed + extra) * math.log(alone)
            + (1 - alone) * self.density * (high - low)
        )


def _quarter_spacing(photo: np.ndarray, tape: np.ndarray, ends: np.ndarray) -> float:
    spacing = [
        (end - begin) / len(places) for places, (begin, end) in zip((photo, tape), ends, strict=True) if len(places)
    ]
    return min(max(0.25 * min(spacing, default=16.0), 1.0), 4.0)


def _scale_interval(photo: np.ndarray, tape: np.ndarray, place: Place, level: float) -> Estimate:
    """Scale difference from the pairs' line, by the t distribution. [%]"""
    k = len(photo)
    value = 100 * (1 / place.scale - 1)
    spread = float(((photo - photo.mean()) ** 2).sum()) if k else 0.0
    if k < 4 or spread == 0:
        return Estimate(value if k >= 4 else math.nan, level=level)
    from scipy.stats import t

    residual = place.to_tape(photo) - tape
    error = math.sqrt(float(residual @ residual) / (k - 2) / spread)
    half = float(t.ppf(0.5 + level / 2, k - 2)) * error
    return Estimate(value, 100 * (1 / (place.scale + half) - 1), 100 * (1 / (place.scale - half) - 1), level)


def _rival_words(best: _Candidate, second: _Candidate, centre: float) -> str:
    times = math.exp(min(best.log_evidence - second.log_evidence, 30.0))
    how = "as well" if times < 2 else "nearly as well" if times < 10 else "too well to rule it out"
    if second.place.direction != best.place.direction:
        return f"read in the other direction it fits {how}"
    middle = np.array([centre])
    shift = abs(float(second.place.to_tape(middle)[0] - best.place.to_tape(middle)[0]))
    return f"shifted by {shift:.0f} cm it fits {how}"
