"""What a scout wrote beside the readings of a tape: who is late, and leaf stages."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import numpy as np
import pandas as pd

from standcam import tables
from standcam.crops import stage_leaves

_YES, _NO = {"yes", "y", "1", "true", "late", "x", "j"}, {"no", "n", "0", "false", "-"}


def scouted(plants: pd.DataFrame, notes: list[str]) -> tuple[np.ndarray, np.ndarray]:
    """Scout's late mark (1, 0, NaN) and leaf stage (NaN) of each plant. (n,), (n,)"""
    mark, stage = np.full(len(plants), np.nan), np.full(len(plants), np.nan)
    for name in plants.columns[len(tables.PLANTS.names) :]:
        key = "_".join(str(name).strip().lower().replace("-", " ").split())
        # a column of 1 and 0 may have come through a table as 1.0 and 0.0
        text = plants[name].fillna("").astype("str").str.strip().str.lower().str.replace(r"\.0$", "", regex=True)
        if key == "late":
            words = text.to_numpy(object)
            mark = np.select([np.isin(words, list(_YES)), np.isin(words, list(_NO))], [1.0, 0.0], np.nan)
            odd = sorted({w for w in words if w and w not in _YES | _NO})
            # scouts often mark the late ones only; a file with any mark was looked at all through
            seen = pd.Series(np.isfinite(mark)).groupby(plants["photo"].to_numpy()).transform("any").to_numpy()
            blank = seen & (words == "")
            mark[blank] = 0.0
            if blank.any():
                notes.append(
                    f"{int(blank.sum())} plants without a word under {name!r} were taken as not late, for others of "
                    "their file are marked."
                )
            _told_odd(odd, name, "yes or no", notes)
        elif key in ("leaf_stage", "v_stage", "stage"):
            stage = np.array([_stage(word) for word in text], float)
            odd = sorted({w for w, s in zip(text, stage, strict=True) if w and math.isnan(s)})
            _told_odd(odd, name, "3, V3 or VE", notes)
    return mark, stage


def _stage(word: str) -> float:
    """Leaf stage of ``3``, ``v3``, ``v3.5``, or of a stage that a crop card names: VE, VC, cotyledon, BBCH 12."""
    named = stage_leaves(word)
    if named is not None:
        return named
    found = re.fullmatch(r"v? ?(\d+(?:[.,]\d+)?)", word)
    return float(found[1].replace(",", ".")) if found else math.nan


def _told_odd(odd: Sequence[str], column: str, wanted: str, notes: list[str]) -> None:
    if odd:
        shown = ", ".join(repr(w) for w in odd[:5])
        notes.append(f"Column {column!r} has {shown}, which were not understood; write {wanted}.")
