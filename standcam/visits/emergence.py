"""Results of several days put together: sections tied, plants followed, curves and late plants by plot."""

from __future__ import annotations

import datetime as dt
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from standcam import tables
from standcam.chain.links import Piece, pieces_of
from standcam.errors import StandcamError
from standcam.settings import StatisticsSettings
from standcam.spacing.metrics import KINDS, classify, interval_counts
from standcam.visits.curve import Curve, emergence_curve
from standcam.visits.register import DAYS, EMERGENCE, VISITS
from standcam.visits.track import Life, Look, Section, VisitSettings, follow, lives


class VisitsMismatch(StandcamError):
    """Visits that cannot be put together."""


@dataclass(frozen=True)
class Visit:
    """Results of one day."""

    name: str
    day: dt.date
    plants: pd.DataFrame
    gaps: pd.DataFrame
    rows: pd.DataFrame
    marks: pd.DataFrame
    source: str = "photo"
    """photo or tape."""


@dataclass(frozen=True)
class PlotEmergence:
    """One plot over its visits."""

    plot: str
    curve: Curve
    line: dict[str, object]
    """Line of EMERGENCE."""
    days: pd.DataFrame
    """Lines of DAYS."""


@dataclass(frozen=True)
class Emergence:
    """What several visits tell."""

    days: tuple[dt.date, ...]
    planted: dt.date | None
    plots: tuple[PlotEmergence, ...]
    sections: tuple[Section, ...]
    plants: pd.DataFrame
    """VISITS"""
    table: pd.DataFrame
    """EMERGENCE"""
    by_day: pd.DataFrame
    """DAYS"""
    nominal_cm: float
    """Theoretical spacing that empty places are counted by; NaN unknown. [cm]"""
    settings: VisitSettings
    notes: tuple[str, ...]


def emergence(
    visits: Sequence[Visit],
    planted: dt.date | None = None,
    nominal_cm: float = math.nan,
    settings: VisitSettings | None = None,
    statistics: StatisticsSettings | None = None,
    same_zero: bool = False,
) -> Emergence:
    """Follow plants over visits.

    Parameters
    ----------
    visits : sequence of Visit
        Two or more, of different days, in any order.
    planted : date, optional
        Day of planting, which days are counted from; else the first visit.
    nominal_cm : float
        Theoretical spacing. [cm]
    settings, statistics : optional
    same_zero : bool
        All rows were read from the same pegs in the same direction (tapes).

    Raises
    ------
    VisitsMismatch
        Fewer than two days, two visits of one day, or planting after the first visit.
    """
    settings, statistics = settings or VisitSettings(), statistics or StatisticsSettings()
    visits = sorted(visits, key=lambda v: v.day)
    twice = [day for day, n in Counter(v.day for v in visits).items() if n > 1]
    if twice:
        names = ", ".join(v.name for v in visits if v.day == twice[0])
        raise VisitsMismatch(f"{names} are of one day, {twice[0]}.", "Count them together, or give --dates.")
    if len(visits) < 2:
        raise VisitsMismatch("One visit tells nothing of when plants came up.", "Name the results of two days or more.")
    if planted is not None and planted > visits[0].day:
        raise VisitsMismatch(
            f"Planting on {planted} is after the first visit on {visits[0].day}.", "Check --planted and the dates."
        )
    day0 = planted or visits[0].day
    days = np.array([(v.day - day0).days for v in visits], float)
    notes: list[str] = []
    sections: list[Section] = []
    for plot, looks in _looks(visits, same_zero, notes).items():
        for group in looks:
            section = follow(plot, group, len(visits), settings)
            sections.append(section)
            for look, why in section.lost_looks:
                notes.append(
                    f"{look.piece.photo} of {visits[look.visit].day} could not be laid on the other visits of plot "
                    f"{plot}: {why}. Leave boards or pegs in the field."
                )
    good = [s for s in sections if len(s.laid) > 1 and math.isfinite(s.common_cm[0])]
    plots, frames = [], []
    for plot in dict.fromkeys(s.plot for s in good):
        own = [s for s in good if s.plot == plot]
        found, table = _plot(plot, own, visits, days, planted, nominal_cm, settings, statistics)
        plots.append(found)
        frames.append(table)
    if not plots:
        raise VisitsMismatch(
            "No section of row could be found again on another day." + (f" {notes[0]}" if notes else ""),
            "Photograph the same sections with boards left in the field, or name plots alike on all days.",
        )
    return Emergence(
        tuple(v.day for v in visits),
        planted,
        tuple(plots),
        tuple(good),
        tables.conform(VISITS, pd.concat(frames, ignore_index=True)),
        tables.conform(EMERGENCE, pd.DataFrame([p.line for p in plots])),
        tables.conform(DAYS, pd.concat([p.days for p in plots], ignore_index=True)),
        nominal_cm,
        settings,
        tuple(notes),
    )


def _looks(visits: Sequence[Visit], same_zero: bool, notes: list[str]) -> dict[str, list[list[Look]]]:
    """Plot to its sections, each a look a visit."""
    found: dict[str, dict[int, list[Look]]] = {}
    for v, visit in enumerate(visits):
        for look in _visit_looks(v, visit, same_zero):
            found.setdefault(look.piece.plot, {}).setdefault(v, []).append(look)
    sections: dict[str, list[list[Look]]] = {}
    for plot, by_visit in found.items():
        if len(by_visit) < 2:
            notes.append(f"Plot {plot} was seen on {visits[next(iter(by_visit))].day} only and is left out.")
            continue
        # sections are those of the visit with the most plants; others are tied to these
        base = max(by_visit, key=lambda v: (sum(len(k.piece.crop_cm) for k in by_visit[v]), v))
        groups = [[look] for look in by_visit[base]]
        for v, looks in by_visit.items():
            if v == base:
                continue
            free = list(looks)
            for group in groups:
                mate = _mate(group[0], free, [g[0] for g in groups])
                if mate is not None:
                    group.append(mate)
                    free.remove(mate)
            if free:
                notes.append(
                    f"{len(free)} of {len(looks)} rows of plot {plot} on {visits[v].day} belong to no section of "
                    f"{visits[base].day} and are left out, as {free[0].piece.photo}, row {free[0].piece.row}."
                )
        sections[plot] = [g for g in groups if len(g) > 1]
    return sections


def _mate(base: Look, free: Sequence[Look], others: Sequence[Look]) -> Look | None:
    """The look at the same section: by its boards, by its photo's name, as the only one of its row number."""
    ours = {m for m, _ in base.piece.marks}
    rivals = [k for k in others if k is not base and k.piece.row == base.piece.row]
    same_row = [k for k in free if k.piece.row == base.piece.row]
    # a board that lies at every section tells none
    shared = [k for k in same_row if ours & {m for m, _ in k.piece.marks}]
    if len(shared) == 1 and not any(ours & {m for m, _ in k.piece.marks} for k in rivals):
        return shared[0]
    named = [k for k in same_row if k.piece.photo == base.piece.photo]
    if len(named) == 1:
        return named[0]
    return same_row[0] if len(same_row) == 1 and not rivals else None


def _visit_looks(v: int, visit: Visit, same_zero: bool) -> list[Look]:
    """Rows of a visit that have a length, positions from the beginning of their stretch."""
    keys = ["photo", "plot", "row"]
    ends = visit.gaps.assign(to_cm=visit.gaps["from_cm"] + visit.gaps["gap_cm"]).groupby(keys, sort=False)
    stretch = ends.agg(begin=("from_cm", "min"), end=("to_cm", "max"))
    lines, begins = [], {}
    for line in visit.rows.itertuples():
        key = (line.photo, line.plot, line.row)
        if line.status not in ("ok", "empty"):
            continue
        if key in stretch.index:
            begin, end = (float(x) for x in stretch.loc[key])
        elif line.status == "empty" and line.row_length_cm > 0:
            begin, end = 0.0, float(line.row_length_cm)
        else:
            continue
        begins[key] = begin
        lines.append(dict(zip(keys, key, strict=True)) | {"from_cm": begin, "to_cm": end, "status": line.status})
    if not lines:
        return []
    plants = visit.plants.copy()
    shift = [begins.get(k, 0.0) for k in plants[keys].itertuples(index=False, name=None)]
    plants["position_cm"] = plants["position_cm"] - np.array(shift, float)
    marks = visit.marks
    if len(marks):
        shift = [begins.get(k, 0.0) for k in marks[keys].itertuples(index=False, name=None)]
        marks = marks.assign(position_cm=marks["position_cm"] - np.array(shift, float))
    pieces: list[Piece] = pieces_of(plants, pd.DataFrame(lines), marks)
    numbers = {
        key: part.sort_values("position_cm", kind="stable")["plant"].to_numpy(int)
        for key, part in plants[plants["is_crop"] & np.isfinite(plants["position_cm"])].groupby(keys, sort=False)
    }
    nobody = np.zeros(0, int)
    return [Look(v, piece, begins[piece.key], numbers.get(piece.key, nobody), same_zero) for piece in pieces]


def _plot(
    plot: str,
    sections: Sequence[Section],
    visits: Sequence[Visit],
    days: np.ndarray,
    planted: dt.date | None,
    nominal_cm: float,
    settings: VisitSettings,
    statistics: StatisticsSettings,
) -> tuple[PlotEmergence, pd.DataFrame]:
    told = [lives(s.seen) for s in sections]
    everywhere = [s.everywhere & ~life.doubtful for s, life in zip(sections, told, strict=True)]
    used = np.array([any(v == one.look.visit for s in sections for one in s.laid) for v in range(len(visits))])
    # interval k ends with the k-th visit that looked at all
    upto = np.r_[0, np.cumsum(used)]
    first = np.concatenate([upto[life.not_before[k] + 1] for life, k in zip(told, everywhere, strict=True)])
    last = np.concatenate([upto[life.first[k]] for life, k in zip(told, everywhere, strict=True)])
    row = np.concatenate([np.full(int(k.sum()), n) for n, k in enumerate(everywhere)])
    start = 0.0 if planted is not None else math.nan
    curve = emergence_curve(
        first, last, days[used], row, start, statistics.level, min(statistics.resamples, 400), statistics.seed
    )
    middle = curve.t50.days.value
    if math.isnan(middle) and math.isfinite(curve.t50.by):
        middle = curve.t50.by  # half were up by then: a plant late against that day is late indeed
    length = sum(s.common_cm[1] - s.common_cm[0] for s in sections)
    empty = np.array([[_empty_places(s, k, v, nominal_cm) for v in range(len(visits))] for s, k in
                      zip(sections, everywhere, strict=True)])  # fmt: skip
    filled = sum(_filled(s, k, nominal_cm) for s, k in zip(sections, everywhere, strict=True))
    frames, late_counts = [], np.zeros(3, int)
    for n, (section, life, core) in enumerate(zip(sections, told, everywhere, strict=True), start=1):
        late, counts = _late(life, days, middle, settings.late_days, core)
        late[life.doubtful] = ""
        late_counts += counts
        frames.append(_plant_table(plot, n, section, life, late, visits))
    missed = sum(int(life.missed[core].sum()) for life, core in zip(told, everywhere, strict=True))
    between = sum(
        int((life.seen - 2 + life.missed).clip(0)[core].sum()) for life, core in zip(told, everywhere, strict=True)
    )
    spread = curve.spread
    all_visits = np.array([all(v in {one.look.visit for one in s.laid} for s in sections) for v in range(len(visits))])
    totals = (
        np.where(all_visits, np.nansum(empty, axis=0), np.nan)
        if math.isfinite(nominal_cm)
        else np.full(len(days), np.nan)
    )
    known = np.flatnonzero(np.isfinite(totals))
    line: dict[str, object] = {
        "plot": plot,
        "sections": len(sections),
        "row_length_cm": length,
        "plants": curve.plants,
        "t50_days": curve.t50.days.value,
        "t50_days_low": curve.t50.days.low,
        "t50_days_high": curve.t50.days.high,
        "t50_after_days": _finite(curve.t50.after),
        "t50_by_days": _finite(curve.t50.by),
        "spread_days": spread.value,
        "spread_days_least": _finite(spread.low),
        "spread_days_most": _finite(spread.high),
        "mean_days": curve.mean_days,
        "days_since": "first visit" if planted is None else "planting",
        "late_plants": int(late_counts[1]) if math.isfinite(middle) else pd.NA,
        "late_least": int(late_counts[0]) if math.isfinite(middle) else pd.NA,
        "late_most": int(late_counts[2]) if math.isfinite(middle) else pd.NA,
        "lost": int(sum((life.lost & s.everywhere).sum() for life, s in zip(told, sections, strict=True))),
        "unseen_last": int(
            sum((life.unseen_last & s.everywhere).sum() for life, s in zip(told, sections, strict=True))
        ),
        "doubtful": int(sum((life.doubtful & s.everywhere).sum() for life, s in zip(told, sections, strict=True))),
        "missed_pct": 100 * missed / between if between else math.nan,
        "empty_first": totals[known[0]] if len(known) else math.nan,
        "filled_later": float(filled) if math.isfinite(nominal_cm) else math.nan,
        "empty_last": totals[known[-1]] if len(known) else math.nan,
        "interval_source": curve.drawn,
    }
    seeds = length / nominal_cm if math.isfinite(nominal_cm) and nominal_cm > 0 else math.nan

    def spread_out(values: np.ndarray) -> np.ndarray:
        out = np.full(len(visits), np.nan)
        out[used] = values
        return out

    by_day = pd.DataFrame(
        {
            "plot": plot,
            "visit": [v.day.isoformat() for v in visits],
            "days": days,
            "sections": [sum(any(one.look.visit == v for one in s.laid) for s in sections) for v in range(len(visits))],
            "plants_seen": [
                sum(int((s.seen[:, v] == 1)[core].sum()) for s, core in zip(sections, everywhere, strict=True))
                for v in range(len(visits))
            ],
            "emerged_pct": 100 * spread_out(curve.share),
            "emerged_pct_low": 100 * spread_out(curve.low),
            "emerged_pct_high": 100 * spread_out(curve.high),
            "emergence_pct": 100 * spread_out(curve.share) * curve.plants / seeds,
            "empty_places": totals,
        }
    )
    return PlotEmergence(plot, curve, line, by_day), pd.concat(frames, ignore_index=True)


def _finite(value: float) -> float:
    return value if math.isfinite(value) else math.nan


def _late(
    life: Life, days: np.ndarray, middle: float, late_days: float, core: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Words yes or no by the middle of the interval of a plant, and how many are late at least, so, and at most.

    Plants up at the first look are not late.
    """
    late = np.full(len(life.first), "", object)
    if not math.isfinite(middle) or not len(late):
        return late, np.zeros(3, int)
    cut = middle + late_days
    since = np.where(life.not_before >= 0, days[np.maximum(life.not_before, 0)], -math.inf)
    until = days[life.first]
    by_middle = (since + until) / 2 >= cut
    late[:] = np.where(by_middle, "yes", "no")
    at_most = (until > cut) & np.isfinite(since)
    return late, np.array([(which & core).sum() for which in (since >= cut, by_middle, at_most)], int)


def _present(section: Section, core: np.ndarray, v: int) -> np.ndarray:
    """Places of plants that stand on a visit: seen, or missed between two sightings or on the very last look."""
    life = lives(section.seen)
    up = core & (life.first <= v) & ((life.last >= v) | life.unseen_last)
    return section.place_cm[up]


def _empty_places(section: Section, core: np.ndarray, v: int, nominal_cm: float) -> float:
    """Seed places without a plant between plants, by theoretical intervals (n0 of ISO 7256-1), and to both ends."""
    if not (math.isfinite(nominal_cm) and nominal_cm > 0) or not any(one.look.visit == v for one in section.laid):
        return math.nan
    places = np.sort(_present(section, core, v))
    low, high = section.common_cm
    if not len(places):
        return float(np.floor((high - low) / nominal_cm))
    gaps = np.diff(places) / nominal_cm
    counts = np.bincount(classify(gaps), minlength=len(KINDS))[: len(KINDS)] if len(gaps) else np.zeros(len(KINDS), int)
    longest = gaps[gaps > 3.5]
    # the standard's last class is open: in a stand that is still coming up gaps of many places are usual
    more = float((np.rint(longest) - 4).clip(0).sum())
    ends = np.floor(np.array([places[0] - low, high - places[-1]]) / nominal_cm).clip(0).sum()
    return float(interval_counts(counts)[0]) + more + float(ends)


def _filled(section: Section, core: np.ndarray, nominal_cm: float) -> float:
    """Places empty on the first visit that a later one shows filled: plants not up at first, doubles counted once."""
    if not (math.isfinite(nominal_cm) and nominal_cm > 0):
        return 0.0
    begin = min(one.look.visit for one in section.laid)
    before = np.sort(_present(section, core, begin))
    life = lives(section.seen)
    come = np.sort(section.place_cm[core & (life.first > begin)])
    count = 0
    last = -math.inf
    for place in come:
        near = float(np.abs(before - place).min()) if len(before) else math.inf
        if near > 0.5 * nominal_cm and place - last > 0.5 * nominal_cm:
            count += 1
            last = place
    return float(count)


def _plant_table(
    plot: str, n: int, section: Section, life: Life, late: np.ndarray, visits: Sequence[Visit]
) -> pd.DataFrame:
    names = np.array([v.day.isoformat() for v in visits] + [""], object)
    look_of = {one.look.visit: one.look for one in section.laid}
    last = [look_of[v] for v in life.last]
    at = section.sighting[np.arange(len(life.last)), life.last] if len(life.last) else np.zeros(0, int)
    return pd.DataFrame(
        {
            "plot": plot,
            "section": n,
            "plant": np.arange(1, len(life.first) + 1),
            "position_cm": section.place_cm,
            "not_before": names[life.not_before],
            "first_seen": names[life.first],
            "last_seen": names[life.last],
            "seen": life.seen,
            "missed": life.missed,
            "absent": life.absent,
            "lost": life.lost,
            "doubtful": life.doubtful,
            "late": late,
            "everywhere": section.everywhere,
            "photo": [look.piece.photo for look in last],
            "row": [look.piece.row for look in last],
            "number": [int(look.number[k]) for look, k in zip(last, at, strict=True)],
        }
    )


def with_late(plants: pd.DataFrame, visits: pd.DataFrame) -> tuple[pd.DataFrame, int]:
    """PLANTS with the column ``late`` of a scout, filled from VISITS, and how many plants were found in it.

    Plants are tied by photo, plot, row and number: the results must be those that the visits read last.
    """
    keys = ["photo", "plot", "row", "plant"]
    told = visits[(visits["late"] != "") & ~visits["doubtful"].to_numpy(bool)]
    told = told.drop(columns="plant").rename(columns={"number": "plant"})[[*keys, "late"]].drop_duplicates(keys)
    plants = plants.drop(columns=[c for c in ("late",) if c in plants])
    merged = plants.merge(told, on=keys, how="left")
    # what visits do not tell is not known, and a scout's empty cell would mean no
    count = int(merged["late"].notna().sum())
    merged["late"] = merged["late"].fillna("")
    return merged, count
