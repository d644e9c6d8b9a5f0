"""How far the numbers of a row can be trusted: a grade, its reasons in words, and which rows to leave out.

The grade is that of the gravest doubt among the row's flags (``doubt`` in :mod:`standcam.flags`). What a row
holds is no ground for doubt: a row with few plants or none is a result, and a bar that dropped such rows would
raise every population.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd

from standcam import flags
from standcam.flags import GRADES

FEWEST_FOR_ROW = 3
"""Fewer plants show no row, so ``row_unsure`` tells of their number and not of a fault: it is passed over; and so is
``finds_unsure``, or bare rows would be left out for a few weeds."""

LEFT_OUT = "left_out"
"""Status of a plot that has no row left."""
KEYS = ("photo", "plot", "row")
LISTED = 12
"""Rows left out that are named in a note; rows.csv has them all."""

_PLANTS_TELL = flags.bit("row_unsure", "finds_unsure")


@dataclass(frozen=True)
class Trust:
    """A grade and why it is not good, the gravest reason first."""

    grade: str
    reasons: tuple[str, ...] = ()


@cache
def trust_of(bits: int) -> Trust:
    """Grade of a row with these flags."""
    doubts = [flag for flag in flags.REGISTER if int(bits) & flag.bit and flag.doubt != "none"]
    doubts.sort(key=lambda flag: GRADES.index(flag.doubt))
    return Trust(doubts[0].doubt if doubts else GRADES[-1], tuple(flag.meaning for flag in doubts))


def grades(bits: np.ndarray, plants: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Grade of each row, as its place in ``GRADES``, and the reasons in one string.

    Parameters
    ----------
    bits : (n,) int array
        Flags of the measured stretches.
    plants : (n,) array
        Plants counted in them.
    """
    told = np.where(np.asarray(plants) < FEWEST_FOR_ROW, bits & ~_PLANTS_TELL, bits)
    known, code = np.unique(told, return_inverse=True)
    found = [trust_of(int(b)) for b in known]
    grade = np.array([GRADES.index(t.grade) for t in found], int)[code]
    reasons = np.array(["; ".join(r.replace(";", ",") for r in t.reasons) for t in found], object)[code]
    return grade, reasons


UNSURE_FINDS = 0.06
"""Mean of p (1 - p), p being crop_probability, over a row's finds from which they are flagged unsure. On 182 rows of 81
path-traced photos, 25 were above and had 8.3 % error of count and CV off by 8 points, the others 2.5 % and 2.6. [1]"""
USUAL_UNSURE, USUAL_FINDS = 0.03, 4
"""Mean of p (1 - p) in those photos, and the number of finds that it weighs as much as, so that one doubtful find among
few does not flag their row (chosen by us)."""
FEWEST_FINDS = 3
"""A find or two on bare ground tell nothing of a row."""


def finds_unsure(finds: pd.DataFrame) -> bool:
    """Whether too many finds of one row might as well not be plants."""
    p = finds["crop_probability"].to_numpy(float)
    mean = ((p * (1 - p)).sum() + USUAL_UNSURE * USUAL_FINDS) / (len(p) + USUAL_FINDS)
    return len(p) >= FEWEST_FINDS and bool(mean > UNSURE_FINDS)


def below(grade: np.ndarray, bar: str) -> np.ndarray:
    """Which grades, as places in ``GRADES``, do not reach the bar. (n,) bool"""
    return np.asarray(grade) < GRADES.index(bar)


def kept(rows: pd.DataFrame) -> np.ndarray:
    """Which lines of ROWS are in the summaries. (n,) bool"""
    return (rows["left_out"] == "").to_numpy(bool)


def rows_kept(rows: pd.DataFrame) -> pd.DataFrame:
    """Those lines of ROWS; no copy where that is all of them."""
    keep = kept(rows)
    return rows if keep.all() else rows[keep]


def of_kept(table: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Lines of PLANTS or GAPS that belong to rows in the summaries."""
    out = rows[~kept(rows)]
    if not len(out):
        return table
    names = list(KEYS)
    gone = pd.MultiIndex.from_frame(out[names])
    return table[~pd.MultiIndex.from_frame(table[names]).isin(gone)].reset_index(drop=True)


def left_out_notes(rows: pd.DataFrame, bar: str) -> tuple[str, ...]:
    """What is left out, in sentences: each row with its reasons, each plot that has no row left.

    Parameters
    ----------
    rows : DataFrame
        ROWS.
    bar : str
        Lowest grade that was let in.
    """
    keep = kept(rows)
    out = rows[~keep]
    if not len(out):
        return ()
    named = [
        f"{r.photo}{_place(r, rows)} row {r.row} ({r.trust}: {r.trust_reasons})" for r in out[:LISTED].itertuples()
    ]
    notes = [
        f"{len(out)} of {len(rows)} rows {'is' if len(out) == 1 else 'are'} left out of all summaries, trust being "
        f"below {bar}: {_joined(named, len(out), 'rows', 'rows.csv')}."
    ]
    lost = [str(plot) for plot in out["plot"].unique() if plot not in set(rows.loc[keep, "plot"])]
    if lost:
        which = f"Plot {lost[0]} has" if len(lost) == 1 else f"{len(lost)} plots have"
        more = "" if len(lost) == 1 else f": {_joined(lost[:LISTED], len(lost), 'plots', 'plots.csv')}"
        notes.append(f"{which} no row left and no numbers in plots.csv{more}.")
    with_all, without = _per_ha(rows), _per_ha(rows[keep])
    if keep.any() and with_all > 0 and without == without:
        change = 100 * (without / with_all - 1)
        notes.append(
            f"Leaving them out changes plants per ha by {change:+.1f} %. Doubt may go with the stand (leaves close "
            "over each other where plants are many), so the rest need not stand for the field: photograph those "
            "rows anew."
        )
    return tuple(notes)


def _per_ha(rows: pd.DataFrame) -> float:
    long = rows[rows["row_length_cm"].notna() & rows["row_width_cm"].notna()]
    area = (long["row_length_cm"] * long["row_width_cm"]).sum()
    return float(long["plants"].sum() / area * 1e8) if area > 0 else float("nan")


def _place(row: object, rows: pd.DataFrame) -> str:
    """The plot, where photos or tape files do not tell rows apart."""
    return f" {row.plot}" if rows.duplicated(["photo", "row"]).any() else ""  # type: ignore[attr-defined]


def _joined(named: Sequence[str], n: int, things: str, file: str) -> str:
    more = f"; and {n - len(named)} more {things}, see {file}" if n > len(named) else ""
    return "; ".join(named) + more
