"""Passes of the planter and row units, from the distances between rows.

Looking along the rows, a pass is as many rows as the planter has units. Within a pass, rows lie as far apart as the
units; where two passes meet (guess rows), a little more or less. A row that failed leaves a hole of a whole row width,
and its unit is counted on. Which rows begin a pass is told by the user, or weighed from the distances: a chain over the
rows, with the place of a row in its pass as its hidden state. What fits neither (a wheel track) is told in words.

Unit 1 is the leftmost looking the way the tractor drives (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from standcam.rows.strip import RowGroup, StripRows
from standcam.settings import PassSettings

_USUAL_PLANTERS = (2, 3, 4, 6, 8, 12, 16, 18, 20, 24, 32, 36)
"""Rows of planters in use (common practice, no source): looked into when none is given or another fits better."""
_MISSING = 0.02
"""Chance that the next place holds no row: a unit shut off or failed all along."""
_ODD = 0.03
"""Chance of a distance that nothing explains."""
_LEAST_SD_CM = 1.0
_FAR_BETTER = 8.0
"""Log likelihood by which another planter width must beat the given one to be told."""
_COMPASS = {"E": 0, "NE": 45, "N": 90, "NW": 135, "W": 180, "SW": 225, "S": 270, "SE": 315}
_SIDEWAYS = 0.35
"""A compass point this near to square across (as a cosine) does not tell which way."""


@dataclass(frozen=True)
class PassProposal:
    """Where a pass begins in a group."""

    group: int
    planter_rows: int
    first_row: int
    """Number of the leftmost row of a pass."""
    confidence: float
    """That rows have the places in their passes that follow from it. 0 to 1"""
    given: bool
    """The first row was given, not found."""


@dataclass(frozen=True)
class PassLabels:
    """Pass and row unit of each row."""

    row_pass: np.ndarray
    """1, 2, ... from left to right in each group; 0 where not known. (r,) int"""
    row_unit: np.ndarray
    """1 to the number of units; 0 where not known. (r,) int"""
    along: np.ndarray
    """Driven in the direction of its group, not against it; without meaning where the pass is not known. (r,) bool"""
    proposals: tuple[PassProposal, ...] = ()
    notes: tuple[str, ...] = ()
    unit_names: tuple[str, ...] = field(init=False)
    """Units as text, as plot maps and the diagnosis have them in ``row_unit``; empty where not known. (r,)"""

    def __post_init__(self) -> None:
        object.__setattr__(self, "unit_names", tuple(str(u) if u > 0 else "" for u in self.row_unit.tolist()))


def label_passes(rows: StripRows, planter_rows: int | None, settings: PassSettings | None = None) -> PassLabels:
    """Label rows with pass and row unit.

    Rows of one group are labelled: that of the given first row, else group 1. Headlands and further fields have passes
    of their own, of which one first row says nothing; a note tells that they were left out.

    Parameters
    ----------
    rows : StripRows
    planter_rows : int or None
        Rows sown in one pass. None: no labels, and a note that tells which widths fit.
    settings : PassSettings, optional

    Returns
    -------
    PassLabels
    """
    settings = settings or PassSettings()
    n = len(rows.rows)
    blank = PassLabels(np.zeros(n, np.int64), np.zeros(n, np.int64), np.ones(n, bool))
    if not n:
        return _with_note(blank, "No rows, so no passes.")
    chosen = 1
    if settings.first_row is not None:
        if settings.first_row > n:
            return _with_note(blank, f"First row {settings.first_row} is not among the rows found, which are 1 to {n}.")
        chosen = int(rows.group[settings.first_row - 1])
    index = np.flatnonzero(rows.group == chosen)
    group = rows.groups[chosen - 1]
    notes: list[str] = []
    if len(rows.groups) > 1:
        notes.append(
            f"Passes and units are named in group {chosen} only; rows of the other {len(rows.groups) - 1} groups have "
            "none."
        )
    if len(index) == 1 or not np.isfinite(group.row_width_cm):
        return _with_note(blank, "A single row tells nothing of passes.")
    if planter_rows is None:
        return _with_note(blank, *notes, _widths_that_fit(rows.gap_left_cm[index], group, settings))
    if planter_rows < 1:
        raise ValueError(f"A planter of {planter_rows} rows.")
    row_pass, row_unit, along = blank.row_pass.copy(), blank.row_unit.copy(), blank.along.copy()
    proposals: list[PassProposal] = []
    runs = _runs(rows.gap_left_cm[index])
    if len(runs) > 1:
        notes.append(
            f"Rows of group {chosen} fall into {len(runs)} parts that lie nowhere side by side; passes are counted in "
            "each by itself."
        )
    first_pass = 1
    forward = _heading(group, settings)
    for run in runs:
        part = index[run]
        gaps = rows.gap_left_cm[part[1:]]
        held = None
        if settings.first_row is not None and settings.first_row - 1 in part:
            held = int(np.flatnonzero(part == settings.first_row - 1)[0])
        chain = _chain(gaps, group.row_width_cm, planter_rows, settings, held)
        odd = _odd_gaps(part, gaps, chain, group.row_width_cm, planter_rows)
        slot, number = chain.place % planter_rows, chain.place // planter_rows
        starts = np.flatnonzero(slot == 0)
        begin = held if held is not None else int(starts[0]) if len(starts) else 0
        proposal = PassProposal(
            chosen, planter_rows, int(part[begin]) + 1, 1.0 if held is not None else chain.confidence, held is not None
        )
        if held is None and settings.first_row is not None:
            notes.append(f"First row {settings.first_row} says nothing of rows {part[0] + 1} to {part[-1] + 1}.")
        proposals.append(proposal)
        notes += odd
        other = _better_width(gaps, group, planter_rows, settings)
        if other:
            notes.append(other)
        if held is None:
            notes.append(_told(proposal, chain, part, gaps, group, settings))
            if chain.confidence < settings.clear_phase:
                continue
        if forward is None:
            notes.append(
                f"Rows run at {group.direction_deg:.0f} degrees (counter-clockwise from east): heading "
                f"{settings.first_heading} does not tell which way the first pass was driven; give along or against."
            )
            continue
        turns = (number - number[begin]) % 2 == 1 if settings.pattern == "back_and_forth" else np.zeros(len(part), bool)
        along[part] = forward ^ turns
        row_pass[part] = number - number[0] + first_pass
        row_unit[part] = np.where(along[part], slot + 1, planter_rows - slot)
        first_pass = int(row_pass[part].max()) + 1
    return PassLabels(row_pass, row_unit, along, tuple(proposals), tuple(notes))


def _with_note(labels: PassLabels, *notes: str) -> PassLabels:
    return PassLabels(labels.row_pass, labels.row_unit, labels.along, labels.proposals, (*labels.notes, *notes))


def _heading(group: RowGroup, settings: PassSettings) -> bool | None:
    """Whether the first pass went in the direction of the group; None where the compass point lies across."""
    if settings.first_heading in ("along", "against"):
        return settings.first_heading == "along"
    cosine = float(np.cos(np.deg2rad(_COMPASS[settings.first_heading] - group.direction_deg)))
    return None if abs(cosine) < _SIDEWAYS else cosine > 0


def _runs(gap_left_cm: np.ndarray) -> list[np.ndarray]:
    """Rows of a group between which all distances are known, as indices into the group."""
    cuts = np.flatnonzero(~np.isfinite(gap_left_cm[1:])) + 1
    return np.split(np.arange(len(gap_left_cm)), cuts)


@dataclass(frozen=True)
class _Chain:
    """Places of rows in passes."""

    place: np.ndarray
    """Place of each row: its pass times the planter's rows, and its place in the pass. (r,)"""
    confidence: float
    """Mean probability of the places in the pass."""
    likelihood: float
    """Log likelihood of the distances, all ways summed up."""
    shares: np.ndarray
    """Probability of each place in the pass for the first row. (n,)"""


def _chain(gaps: np.ndarray, width: float, n: int, settings: PassSettings, held: int | None = None) -> _Chain:
    """Likeliest places of rows, and how likely.

    Parameters
    ----------
    gaps : (r - 1,) array
        Distances of neighbour rows, left to right. [cm]
    held : int, optional
        A row known to be the first of its pass.
    """
    rows = len(gaps) + 1
    spread = _within_sd(gaps, width)
    steps: list[list[tuple[int, np.ndarray]]] = []
    slot = np.arange(n)
    for gap in gaps:
        low = max(int(np.floor((gap - settings.guess_cm) / width)), 1)
        high = max(int(np.ceil((gap + settings.guess_cm) / width)), 1)
        steps.append(
            [(k, _fits(gap - k * width, (slot + k) // n, k, width, spread, settings)) for k in range(low, high + 1)]
        )
    start = np.full(n, -np.log(n))
    known = np.zeros((rows, n))
    if held is not None:
        known[held, 1:] = -np.inf
    forward = np.full((rows, n), -np.inf)
    best = np.full((rows, n), -np.inf)
    came = np.zeros((rows, n, 2), np.int64)
    forward[0] = best[0] = start + known[0]
    for r, step in enumerate(steps, 1):
        for k, fit in step:
            to = (slot + k) % n
            # each place is reached from one place for a given k
            moved = forward[r - 1] + fit
            forward[r, to] = np.logaddexp(forward[r, to], moved)
            moved = best[r - 1] + fit
            better = moved > best[r, to]
            best[r, to[better]] = moved[better]
            came[r, to[better], 0], came[r, to[better], 1] = slot[better], k
        forward[r] += known[r]
        best[r] += known[r]
    backward = np.zeros((rows, n))
    for r in range(rows - 2, -1, -1):
        ahead = np.full(n, -np.inf)
        for k, fit in steps[r]:
            to = (slot + k) % n
            ahead = np.logaddexp(ahead, fit + known[r + 1, to] + backward[r + 1, to])
        backward[r] = ahead
    total = float(np.logaddexp.reduce(forward[-1]))
    share = np.exp(forward + backward - total)
    at = int(best[-1].argmax())
    advance = np.zeros(rows, np.int64)
    seat = np.zeros(rows, np.int64)
    for r in range(rows - 1, -1, -1):
        seat[r] = at
        if r:
            at, advance[r] = came[r, at]
    place = seat[0] + np.cumsum(advance)
    return _Chain(place, float(share[np.arange(rows), seat].mean()), total, share[0])


def _within_sd(gaps: np.ndarray, width: float) -> float:
    """Scatter of distances within passes: from the middle half of them, since guess rows are few. [cm]"""
    off = np.abs(gaps - width * np.maximum(np.round(gaps / width), 1))
    return max(1.4826 * float(np.median(off)), _LEAST_SD_CM) if len(off) >= 4 else 1.5 * _LEAST_SD_CM


def _fits(off: float, borders: np.ndarray, k: int, width: float, spread: float, settings: PassSettings) -> np.ndarray:
    """Log likelihood of a distance that is ``off`` from k row widths, for so many borders of passes within it."""
    sd = np.sqrt(spread**2 * k + borders * (settings.guess_cm / 2) ** 2)
    usual = (1 - _ODD) * np.exp(-0.5 * (off / sd) ** 2) / (sd * np.sqrt(2 * np.pi))
    return np.log(usual + _ODD / (4 * width)) + (k - 1) * np.log(_MISSING)


def _odd_gaps(part: np.ndarray, gaps: np.ndarray, chain: _Chain, width: float, n: int) -> list[str]:
    """Distances that guess rows do not explain, in words."""
    spread = _within_sd(gaps, width)
    holes, odd = [], []
    for i, gap in enumerate(gaps):
        a, b = int(chain.place[i]), int(chain.place[i + 1])
        name = f"rows {part[i] + 1} and {part[i + 1] + 1} ({gap:.0f} cm)"
        off = gap - (b - a) * width
        if b // n == a // n and abs(off) > max(6 * spread, 0.12 * width):
            odd.append(name)
        elif b - a > 1:
            holes.append(f"{b - a - 1} between {name}")
    notes = []
    if holes:
        notes.append(
            "Rows missing, their units counted on: "
            + _listed(holes)
            + ". Where the planter has no unit there (a wheel "
            "track), the units beyond are named wrongly: give the first row, and count such tracks apart."
        )
    if odd:
        notes.append(
            "Distances that neither row width nor guess rows explain (wheel tracks?), within one pass: "
            + _listed(odd) + "."
        )  # fmt: skip
    return notes


def _told(
    proposal: PassProposal, chain: _Chain, part: np.ndarray, gaps: np.ndarray, group: RowGroup, settings: PassSettings
) -> str:
    """How the first row was proposed."""
    n = proposal.planter_rows
    borders = [i for i in range(len(gaps)) if chain.place[i] // n != chain.place[i + 1] // n]
    shown = [f"{part[i] + 1}|{part[i + 1] + 1} ({gaps[i] - group.row_width_cm:+.0f} cm)" for i in borders]
    if proposal.confidence < settings.clear_phase:
        likely = [int(k) for k in np.argsort(-chain.shares)[:3] if chain.shares[k] > 0.5 / n]
        first = [f"row {part[(n - k) % n] + 1} ({chain.shares[k]:.0%})" for k in likely if (n - k) % n < len(part)]
        return (
            f"Where passes of {n} rows begin is not clear from guess rows"
            + (f": perhaps at {_listed(first)}" if first else "")
            + ". No units are named; give passes.first_row."
        )
    return (
        f"First row of a pass proposed: row {proposal.first_row} (confidence {proposal.confidence:.0%}), from wider "
        f"and narrower distances between passes: {_listed(shown)}. Its pass is taken as driven "
        f"{settings.first_heading}; if it was driven the other way, units are mirrored. Wheel tracks at equal "
        "distances look the same: check one pass."
    )


def _better_width(gaps: np.ndarray, group: RowGroup, n: int, settings: PassSettings) -> str:
    """Another planter width that fits the distances far better, in words; empty where none does."""
    if len(gaps) < 2 * n:
        return ""
    own = _chain(gaps, group.row_width_cm, n, settings).likelihood
    others = {
        m: _chain(gaps, group.row_width_cm, m, settings).likelihood
        for m in _USUAL_PLANTERS
        if m != n and 2 * m <= len(gaps) + 1
    }
    # a planter of half as many rows has a border wherever this one has: it is no rival unless it explains more
    if not others or max(others.values()) < own + _FAR_BETTER:
        return ""
    best = max(others, key=lambda m: others[m])
    return f"Distances between rows fit a planter of {best} rows far better than one of {n}: check the number of rows."


def _widths_that_fit(gap_left_cm: np.ndarray, group: RowGroup, settings: PassSettings) -> str:
    """Which planters would explain the distances, where none is given."""
    text = "How many rows the planter has is not given (planter.row_units): no passes or units are named."
    runs = [run for run in _runs(gap_left_cm) if len(run) > 4]
    if not runs:
        return text
    gaps = gap_left_cm[max(runs, key=len)[1:]]
    none = _chain(gaps, group.row_width_cm, len(gaps) * 4, settings).likelihood
    fits = {m: _chain(gaps, group.row_width_cm, m, settings) for m in _USUAL_PLANTERS if 2 * m <= len(gaps) + 1}
    if not fits:
        return text
    best = max(fits, key=lambda m: fits[m].likelihood)
    if fits[best].likelihood < none + _FAR_BETTER / 2 or fits[best].confidence < settings.clear_phase:
        return text
    return f"{text} Distances between rows would fit {best}."


def _listed(things: list[str], most: int = 6) -> str:
    more = f" and {len(things) - most} more" if len(things) > most else ""
    return "; ".join(things[:most]) + more
