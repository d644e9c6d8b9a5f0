"""All spacings between two plants of some rows as arrays: what numbers over all rows together are taken from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from standcam import tables
from standcam.aside import KEYS, Lines
from standcam.spacing.metrics import KINDS, OPEN

_CODE = {kind: code for code, kind in enumerate(KINDS)}


@dataclass(frozen=True)
class Spacings:
    """Gaps that are not open, in the order of their table; 13 bytes each."""

    row: np.ndarray
    """Line of the table of rows that each belongs to. (g,)"""
    gap_cm: np.ndarray
    """(g,) [cm]"""
    code: np.ndarray
    """Class, by its place in :data:`standcam.spacing.metrics.KINDS`; -1 where there is none. (g,)"""

    @staticmethod
    def of(rows: pd.DataFrame, gaps: pd.DataFrame | Lines) -> Spacings:
        """Spacings of these rows; gaps of other rows are passed over.

        Parameters
        ----------
        rows : DataFrame
            ROWS, or some of them.
        gaps : DataFrame or Lines
            GAPS.
        """
        index = pd.MultiIndex.from_frame(rows[KEYS])
        found: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
        for part in Lines.of(tables.GAPS, gaps).parts():
            part = part[part["kind"] != OPEN]
            row = index.get_indexer(pd.MultiIndex.from_frame(part[KEYS])) if len(rows) else np.full(len(part), -1)
            mine = row >= 0
            code = part["kind"].map(_CODE).fillna(-1).to_numpy(np.int8)
            found.append((row[mine].astype(np.int32), part["gap_cm"].to_numpy(float)[mine], code[mine]))
        return Spacings(*(np.concatenate(column) for column in zip(*found, strict=True)))

    def __len__(self) -> int:
        return len(self.row)

    @property
    def in_cm(self) -> pd.Series:
        """Their lengths, for what pandas reckons. [cm]"""
        return pd.Series(self.gap_cm, copy=False)

    @property
    def classed(self) -> np.ndarray:
        """Classes of those that have one. (n,)"""
        return self.code[self.code >= 0]

    @property
    def singles_pct(self) -> float:
        """Singles among those that have a class; NaN where none has. [%]"""
        classed = self.classed
        return 100 * float((classed == KINDS.index("single")).mean()) if len(classed) else float("nan")
