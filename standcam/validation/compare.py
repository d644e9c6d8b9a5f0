"""Rows measured twice, by photo and by tape: what was found, how exactly, and what follows for the numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from standcam import flags, tables
from standcam.estimate import Estimate
from standcam.settings import StatisticsSettings
from standcam.spacing import metrics
from standcam.spacing.intervals import share_estimate
from standcam.spacing.positions import positions_from_plants
from standcam.tables import Column
from standcam.validation.agree_tables import AGREE, CLASSES, LIMITS, PAIRS
from standcam.validation.agreement import NORMAL_MULTIPLIER, agreement, clustered, concordance
from standcam.validation.align import OK, Alignment, AlignSettings, align
from standcam.validation.pairing import RowKey, RowPairs

NOT_MEASURED = "not_measured"
PER_ROW = (
    ("plants per row", "tape_plants", "photo_plants"),
    ("mean gap, cm", "tape_mean_gap_cm", "photo_mean_gap_cm"),
    ("SD of gaps, cm", "tape_sd_gap_cm", "photo_sd_gap_cm"),
    ("CV of gaps, %", "tape_cv_pct", "photo_cv_pct"),
)
GAP = "gap, cm"
UNKNOWN_ERROR_CM = 1.0
"""Taken at the ends of a stretch where too few pairs tell their error: twice what photos and tapes usually reach."""
PER_M = "plants per m"
"""Of whole rows, each way on its own stretch: also where places cannot be compared."""


@dataclass(frozen=True)
class RowList:
    """Plants of one row by one of the two ways."""

    key: RowKey
    plant: np.ndarray
    """(n,) int, numbers of the plants, in order of their places."""
    place_cm: np.ndarray
    """(n,), sorted. [cm]"""
    sd_cm: np.ndarray
    """(n,), standard error of places; NaN if unknown. [cm]"""
    stretch_cm: tuple[float, float]
    """What was looked over. [cm]"""
    to_plants: bool
    """The stretch is only known from plant to plant."""
    lacking: str = ""
    """Why places cannot be compared, in words."""
    per_m: float = math.nan
    """Plants per metre of the whole row, from its count and length. [1/m]"""


@dataclass(frozen=True)
class RowAgreement:
    """One row measured twice."""

    photo: RowList
    tape: RowList
    alignment: Alignment | None
    """None where one side has no centimetres."""
    line: dict[str, object]
    """Line of AGREE."""
    plants: pd.DataFrame
    """PAIRS of this row; empty where nothing is claimed."""
    gap_pairs: np.ndarray
    """Gaps with the same two plants in both: photo, tape. (k, 2) [cm]"""
    gap_classes: np.ndarray
    """CLASSES of this row. (6, 6), the last of either being none."""

    @property
    def compared(self) -> bool:
        """Whether the row counts."""
        return self.line["status"] == OK


@dataclass(frozen=True)
class Comparison:
    """All rows that were measured twice."""

    rows: tuple[RowAgreement, ...]
    tied: RowPairs
    table: pd.DataFrame
    """AGREE"""
    plants: pd.DataFrame
    """PAIRS"""
    classes: pd.DataFrame
    """CLASSES"""
    limits: pd.DataFrame
    """LIMITS"""
    recall: Estimate
    """Share of tape plants found, Wilson interval. [1]"""
    precision: Estimate
    """Share of found plants that the tape has, Wilson interval. [1]"""
    f1: Estimate
    """Harmonic mean of the two; interval from Wilson's for hits among all plants of either list. [1]"""
    recall_by_rows: Estimate
    """The same with rows drawn anew; no interval below three rows. [1]"""
    precision_by_rows: Estimate
    f1_by_rows: Estimate
    scale_pct: Estimate
    """What photos read too much in lengths, over rows. [%]"""
    mean_error_cm: float
    """Mean absolute distance of paired plants. [cm]"""
    rms_error_cm: float
    """Root mean square, divisor pairs - 2 in each row. [cm]"""
    p95_error_cm: float
    """[cm]"""
    claimed_error_cm: float
    """What position_sd_cm said. [cm]"""
    nominal_cm: float
    """Theoretical spacing of the classes; NaN if none is known. [cm]"""
    notes: tuple[str, ...] = field(default=())

    def total(self, name: str) -> int:
        """Sum of a count over the rows compared."""
        return int(self.table.loc[self.table["status"] == OK, name].sum())

    @property
    def compared(self) -> int:
        """Rows that count."""
        return int((self.table["status"] == OK).sum())

    @property
    def counted(self) -> int:
        """Rows whose counts and lengths are known both ways, compared in place or not."""
        return int(self.limits.loc[self.limits["quantity"] == PER_M, "n"].sum())


def row_lists(plants: pd.DataFrame, gaps: pd.DataFrame, rows: pd.DataFrame, source: str) -> dict[RowKey, RowList]:
    """Places and stretches of each row of a results folder.

    Parameters
    ----------
    plants, gaps, rows : DataFrame
        PLANTS, GAPS with their open ends, ROWS.
    source : str
        photo or tape.
    """
    keys = ["photo", "plot", "row"]
    places = {key: part for key, part in positions_from_plants(plants, source).groupby(keys, sort=False)}
    ends = gaps.assign(to_cm=gaps["from_cm"] + gaps["gap_cm"]).groupby(keys, sort=False)
    stretch = ends.agg(begin=("from_cm", "min"), end=("to_cm", "max"))
    out = {}
    for line in rows.itertuples():
        name = (line.photo, line.plot, line.row)
        at_plants = bool(flags.parse(line.flags) & flags.bit("ends_at_plants"))
        part = places.get(name)
        where = np.zeros(0) if part is None else part["position_cm"].to_numpy(float)
        inside = np.ones(len(where), bool)
        begin, end = (math.nan, math.nan)
        if name in stretch.index:
            begin, end = (float(v) for v in stretch.loc[name, ["begin", "end"]])
            # plants beyond the stretch are shown but not counted, here as everywhere
            inside = (where >= begin - 1e-3) & (where <= end + 1e-3)
        if at_plants and inside.any():
            begin, end = float(where[inside].min()), float(where[inside].max())
        lacking = ""
        if line.status in ("no_scale", "no_row"):
            lacking = f"the {source} has no centimetres" if line.status == "no_scale" else f"no row in the {source}"
        elif not len(where) and line.plants > 0:
            lacking = f"the {source} gives a count and no positions"
        elif not (math.isfinite(begin) and math.isfinite(end)):
            lacking = f"the length of row of the {source} is not known"
        number = np.zeros(0, int) if part is None else part["plant"].to_numpy(int)
        sd = np.zeros(0) if part is None else part["position_sd_cm"].to_numpy(float)
        key = RowKey(str(line.photo), str(line.plot), int(line.row))
        per_m = 100 * line.plants / line.row_length_cm if line.row_length_cm > 0 else math.nan
        out[key] = RowList(key, number[inside], where[inside], sd[inside], (begin, end), at_plants, lacking, per_m)
    return out


def compare(
    photo: dict[RowKey, RowList],
    tape: dict[RowKey, RowList],
    tied: RowPairs,
    nominal_cm: float,
    settings: AlignSettings | None = None,
    statistics: StatisticsSettings | None = None,
    same_zero: bool = False,
) -> Comparison:
    """Compare all rows that were tied.

    Parameters
    ----------
    photo, tape : dict
        From :func:`row_lists`.
    tied : RowPairs
    nominal_cm : float
        Theoretical spacing for both sides' classes; NaN leaves the classes empty. [cm]
    settings, statistics : optional
    same_zero : bool
        See :func:`standcam.validation.align.align`.
    """
    settings, statistics = settings or AlignSettings(), statistics or StatisticsSettings()
    level = statistics.level
    rows = tuple(
        _compare_row(photo[ours], tape[theirs], nominal_cm, settings, same_zero, level) for ours, theirs in tied.pairs
    )
    table = tables.conform(AGREE, pd.DataFrame([r.line for r in rows], columns=AGREE.names))
    good = table[table["status"] == OK]
    plants = [r.plants for r in rows if len(r.plants)]
    hit, asked, found, extra = (good[n].to_numpy(int) for n in ("hit", "tape_plants", "photo_plants", "extra"))
    hits, either = int(hit.sum()), int((asked + extra).sum())
    jaccard = share_estimate(hits, either, level)
    error = np.concatenate([np.zeros(0), *(_errors(r) for r in rows if r.compared)])
    claimed = np.concatenate([np.zeros(0), *(_claims(r) for r in rows if r.compared)])
    counts = sum((r.gap_classes for r in rows if r.compared), np.zeros((6, 6), int))
    return Comparison(
        rows=rows,
        tied=tied,
        table=table,
        plants=tables.conform(PAIRS, pd.concat(plants, ignore_index=True) if plants else tables.empty(PAIRS)),
        classes=_class_table(counts),
        limits=_limits(good, rows, level),
        recall=share_estimate(hits, int(asked.sum()), level),
        precision=share_estimate(hits, int(found.sum()), level),
        f1=Estimate(_f1(jaccard.value), _f1(jaccard.low), _f1(jaccard.high), level),
        recall_by_rows=clustered(hit, asked, level, statistics.resamples, statistics.seed),
        precision_by_rows=clustered(hit, found, level, statistics.resamples, statistics.seed),
        f1_by_rows=clustered(2 * hit, asked + found, level, statistics.resamples, statistics.seed),
        scale_pct=_scale(good, rows, level),
        mean_error_cm=float(np.abs(error).mean()) if len(error) else math.nan,
        rms_error_cm=_rms(error, 2 * len(good)),
        p95_error_cm=float(np.quantile(np.abs(error), 0.95)) if len(error) else math.nan,
        claimed_error_cm=_rms(claimed, 0),
        nominal_cm=nominal_cm,
        notes=tied.notes,
    )


def _f1(jaccard: float) -> float:
    """F1 from hits as a share of the plants of either list: ``2 J / (1 + J)``."""
    return 2 * jaccard / (1 + jaccard)


def _compare_row(
    photo: RowList, tape: RowList, nominal_cm: float, settings: AlignSettings, same_zero: bool, level: float
) -> RowAgreement:
    line: dict[str, object] = {column.name: _blank(column) for column in AGREE.columns} | _names(photo, tape)
    nobody = tables.empty(PAIRS), np.zeros((0, 2)), np.zeros((6, 6), int)
    lacking = photo.lacking or tape.lacking
    if lacking:
        return RowAgreement(photo, tape, None, line | {"status": NOT_MEASURED, "reason": lacking}, *nobody)
    laid = align(photo.place_cm, tape.place_cm, photo.stretch_cm, tape.stretch_cm, settings, same_zero, level)
    line |= {"status": laid.status, "reason": laid.reason}
    if laid.place is None:
        return RowAgreement(photo, tape, laid, line, *nobody)
    line |= {
        "offset_cm": laid.place.offset_cm,
        "reversed": laid.place.direction < 0,
        "scale_pct": laid.scale_pct.value,
        "scale_low_pct": laid.scale_pct.low,
        "scale_high_pct": laid.scale_pct.high,
        "log10_odds": math.log10(laid.odds) if 0 < laid.odds < math.inf else math.nan,
    }
    if not laid.sure:
        return RowAgreement(photo, tape, laid, line, *nobody)

    pairs, seen = laid.pairs, laid.place.to_tape(photo.place_cm)
    error = seen[pairs.found] - tape.place_cm[pairs.true]
    low, high = _judged_stretch(laid, photo, tape, min(_carried(error), laid.tolerance_cm))
    partner = np.full(len(tape.place_cm), -1)
    partner[pairs.true] = pairs.found
    owner = np.full(len(seen), -1)
    owner[pairs.found] = pairs.true
    tape_in = (tape.place_cm >= low - 1e-6) & (tape.place_cm <= high + 1e-6)
    photo_in = (seen >= low - 1e-6) & (seen <= high + 1e-6)
    # where a pair stands is asked of the tape, so that no pair is half counted
    judged = tape_in[pairs.true]
    photo_in[pairs.found] = judged
    kept = error[judged]
    line |= {
        "common_from_cm": low,
        "common_to_cm": high,
        "tape_plants": int(tape_in.sum()),
        "photo_plants": int(photo_in.sum()),
        "hit": int((tape_in & (partner >= 0)).sum()),
        "missed": int((tape_in & (partner < 0)).sum()),
        "extra": int((photo_in & (owner < 0)).sum()),
        "mean_error_cm": float(np.abs(kept).mean()) if len(kept) else math.nan,
        "rms_error_cm": _rms(kept, 2),
        "p95_error_cm": float(np.quantile(np.abs(kept), 0.95)) if len(kept) else math.nan,
        "claimed_error_cm": _rms(photo.sd_cm[pairs.found[judged]], 0),
        "chance_hit": _covered(tape.place_cm, laid.tolerance_cm, low, high),
    }
    for name, gap in (
        ("tape", np.diff(tape.place_cm[tape_in])),
        ("photo", np.diff(photo.place_cm[photo_in])),
    ):
        mean = float(gap.mean()) if len(gap) else math.nan
        sd = float(gap.std(ddof=1)) if len(gap) > 1 else math.nan
        line |= {
            f"{name}_mean_gap_cm": mean,
            f"{name}_sd_gap_cm": sd,
            f"{name}_cv_pct": 100 * sd / mean if mean > 0 else math.nan,
        }
    plants = _plant_table(photo, tape, seen, partner, owner, tape_in, photo_in, laid.common_cm)
    gap_pairs, gap_classes = _gaps(photo, tape, seen, partner, owner, tape_in, photo_in, nominal_cm)
    return RowAgreement(photo, tape, laid, line, plants, gap_pairs, gap_classes)


def _judged_stretch(laid: Alignment, photo: RowList, tape: RowList, margin: float) -> tuple[float, float]:
    """The common stretch, drawn in by what position errors may carry over its ends. [cm]

    A plant there may stand in one list and not in the other with nobody at fault. Where the stretch ends at a plant,
    that plant is judged.
    """
    low, high = laid.common_cm
    assert laid.place is not None
    ends = [(end, tape.to_plants) for end in tape.stretch_cm]
    ends += [(float(end), photo.to_plants) for end in laid.place.to_tape(np.array(photo.stretch_cm))]

    def at_plant(edge: float) -> bool:
        return min(ends, key=lambda e: abs(e[0] - edge))[1]

    low += -margin if at_plant(low) else margin
    high += margin if at_plant(high) else -margin
    return low, max(high, low)


def _plant_table(
    photo: RowList,
    tape: RowList,
    seen: np.ndarray,
    partner: np.ndarray,
    owner: np.ndarray,
    tape_in: np.ndarray,
    photo_in: np.ndarray,
    common: tuple[float, float],
) -> pd.DataFrame:
    """PAIRS of one row, along the tape."""
    alone = np.flatnonzero(owner < 0)
    t = np.concatenate([np.arange(len(partner)), np.full(len(alone), -1)])
    p = np.concatenate([partner, alone])
    has_t, has_p = t >= 0, p >= 0
    tape_cm = np.where(has_t, tape.place_cm[t] if len(tape.place_cm) else math.nan, math.nan)
    on_tape = np.where(has_p, seen[p] if len(seen) else math.nan, math.nan)
    place = np.where(has_t, tape_cm, on_tape)
    judged = np.where(has_t, tape_in[t] if len(tape_in) else False, False) | np.where(
        has_p, photo_in[p] if len(photo_in) else False, False
    )
    within = (place >= common[0]) & (place <= common[1])
    kind = np.select(
        [judged & has_t & has_p, judged & has_t, judged, within | (has_t & has_p)],
        ["paired", "missed", "extra", "at_edge"],
        "beyond",
    )
    frame = pd.DataFrame(
        _names(photo, tape)
        | {
            "kind": kind,
            "plant": pd.arrays.IntegerArray(photo.plant[p].astype(np.int64) if len(photo.plant) else p * 0, ~has_p),
            "tape_plant": pd.arrays.IntegerArray(tape.plant[t].astype(np.int64) if len(tape.plant) else t * 0, ~has_t),
            "photo_cm": np.where(has_p, photo.place_cm[p] if len(seen) else math.nan, math.nan),
            "tape_cm": tape_cm,
            "photo_on_tape_cm": on_tape,
            "error_cm": on_tape - tape_cm,
        }
    )
    return tables.conform(PAIRS, frame.iloc[np.argsort(place, kind="stable")])


def _gaps(
    photo: RowList,
    tape: RowList,
    seen: np.ndarray,
    partner: np.ndarray,
    owner: np.ndarray,
    tape_in: np.ndarray,
    photo_in: np.ndarray,
    nominal_cm: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Gaps with the same plants at both ends, and how all gaps were classed by either way."""
    order = np.argsort(seen, kind="stable")
    rank = np.empty(len(order), int)
    rank[order] = np.arange(len(order))
    both = tape_in[:-1] & tape_in[1:]
    tape_gap = np.diff(tape.place_cm)
    left, right = partner[:-1], partner[1:]
    same = both & (left >= 0) & (right >= 0)
    same[same] = rank[right[same]] - rank[left[same]] == 1
    photo_gap = np.full(len(tape_gap), math.nan)
    photo_gap[same] = np.abs(photo.place_cm[right[same]] - photo.place_cm[left[same]])
    counts = np.zeros((6, 6), int)
    if math.isfinite(nominal_cm):
        none = len(metrics.KINDS)
        tape_class = metrics.classify(tape_gap[both] / nominal_cm)
        photo_class = np.where(same[both], metrics.classify(photo_gap[both] / nominal_cm), none)
        np.add.at(counts, (tape_class, photo_class), 1)
        # gaps of the photo that the tape lacks
        inside = photo_in[order]
        pair = inside[:-1] & inside[1:]
        theirs = owner[order]
        known = pair & (theirs[:-1] >= 0) & (theirs[1:] >= 0) & (np.diff(theirs) == 1)
        lone = pair & ~known
        gap = np.abs(np.diff(photo.place_cm[order]))[lone]
        np.add.at(counts, (np.full(len(gap), none), metrics.classify(gap / nominal_cm)), 1)
    return np.c_[photo_gap[same], tape_gap[same]], counts


def _class_table(counts: np.ndarray) -> pd.DataFrame:
    names = [*metrics.KINDS, "none"]
    return tables.conform(CLASSES, pd.DataFrame({"tape": names} | {n: counts[:, i] for i, n in enumerate(names)}))


def _limits(good: pd.DataFrame, rows: Sequence[RowAgreement], level: float) -> pd.DataFrame:
    """LIMITS of all quantities that were measured twice."""
    gap = np.concatenate([np.zeros((0, 2)), *(r.gap_pairs for r in rows if r.compared)])
    measured = [
        (name, "rows", good[photo].to_numpy(float), good[tape].to_numpy(float)) for name, tape, photo in PER_ROW
    ]
    measured.append((GAP, "gaps", gap[:, 0], gap[:, 1]))
    whole = np.array([(r.photo.per_m, r.tape.per_m) for r in rows], float).reshape(-1, 2)
    measured.append((PER_M, "rows", whole[:, 0], whole[:, 1]))
    lines = []
    for name, of, found, true in measured:
        a = agreement(found, true, NORMAL_MULTIPLIER, level)
        rho = concordance(found, true, level)
        low, high, bias = a.low_interval, a.high_interval, a.bias_interval
        known = np.isfinite(found) & np.isfinite(true)
        lines.append(
            {
                "quantity": name, "of": of, "n": a.n, "tape_mean": true[known].mean() if known.any() else math.nan,
                "bias": a.bias, "bias_low": bias.low, "bias_high": bias.high, "sd": a.sd,
                "limit_low": a.low, "limit_low_from": low.low, "limit_low_to": low.high,
                "limit_high": a.high, "limit_high_from": high.low, "limit_high_to": high.high,
                "multiplier": a.multiplier, "concordance": rho.value, "concordance_low": rho.low,
                "concordance_high": rho.high,
            }
        )  # fmt: skip
    return tables.conform(LIMITS, pd.DataFrame(lines))


def _scale(good: pd.DataFrame, rows: Sequence[RowAgreement], level: float) -> Estimate:
    """Scale difference over rows: one row by its line; several by their mean and the scatter between them.

    Two rows do not tell their scatter: their mean weighted by what each is worth, which leaves out what photos
    differ by.
    """
    scale = good["scale_pct"].to_numpy(float)
    scale = scale[np.isfinite(scale)]
    if len(scale) == 0:
        return Estimate(math.nan, level=level)
    if len(scale) >= 3:
        from scipy.stats import t

        half = float(t.ppf(0.5 + level / 2, len(scale) - 1)) * float(scale.std(ddof=1)) / math.sqrt(len(scale))
        return Estimate(float(scale.mean()), float(scale.mean()) - half, float(scale.mean()) + half, level)
    single = [r.alignment.scale_pct for r in rows if r.compared and r.alignment and r.alignment.scale_pct.known]
    if len(single) == 1:
        return single[0]
    half_widths = np.array([(e.high - e.low) / 2 for e in single])
    if not (half_widths > 0).all():
        return Estimate(float(np.mean(scale)), level=level)
    # half widths of t intervals, in place of standard errors, err to the wide
    weight = half_widths**-2.0
    value = float((weight * scale).sum() / weight.sum())
    half = math.sqrt(1 / weight.sum())
    return Estimate(value, value - half, value + half, level)


def _errors(row: RowAgreement) -> np.ndarray:
    paired = row.plants["kind"] == "paired"
    return row.plants.loc[paired, "error_cm"].to_numpy(float)


def _claims(row: RowAgreement) -> np.ndarray:
    number = row.plants.loc[row.plants["kind"] == "paired", "plant"].to_numpy(int)
    return row.photo.sd_cm[np.isin(row.photo.plant, number)]


def _rms(error: np.ndarray, fitted: int) -> float:
    error = error[np.isfinite(error)]
    return math.sqrt(float(error @ error) / (len(error) - fitted)) if len(error) > fitted else math.nan


def _carried(error: np.ndarray) -> float:
    """How far position errors may carry a plant over an end: two standard errors. [cm]"""
    error_cm = _rms(error, 2)
    return 2 * error_cm if math.isfinite(error_cm) else UNKNOWN_ERROR_CM


def _covered(places: np.ndarray, reach: float, low: float, high: float) -> float:
    """Share of a stretch within reach of any place. [1]"""
    if not high > low:
        return math.nan
    begin = np.clip(np.maximum(places - reach, np.r_[-np.inf, places[:-1] + reach]), low, high)
    return float((np.clip(places + reach, low, high) - begin).clip(min=0).sum() / (high - low))


def _names(photo: RowList, tape: RowList) -> dict[str, object]:
    return {
        "photo": photo.key.photo, "plot": photo.key.plot, "row": photo.key.row,
        "tape_photo": tape.key.photo, "tape_plot": tape.key.plot, "tape_row": tape.key.row,
    }  # fmt: skip


def _blank(column: Column) -> object:
    return {"float64": math.nan, "int64": 0, "bool": False}.get(column.dtype, "")
