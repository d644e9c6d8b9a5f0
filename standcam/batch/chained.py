"""Chains of photos in a count: rows that several photos share are one row in every table, the raw finds kept beside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from standcam import tables
from standcam.batch.measured import Stack
from standcam.chain.join import Chains, find_chains, join_marks, join_rows
from standcam.chain.links import ROW, Piece
from standcam.chain.register import CHAINS, MARKS, SEAMS
from standcam.measure import Measurement
from standcam.report.results import csv_text
from standcam.settings import ChainSettings, SpacingSettings, StatisticsSettings
from standcam.spacing.positions import positions_from_plants
from standcam.summarise import Summary, summarise


@dataclass(frozen=True)
class Chained:
    """Tables of all photos, a chain being one row of one photo."""

    plants: pd.DataFrame
    """PLANTS; where something was joined with source_photo, source_row, source_plant and seen behind."""
    positions: pd.DataFrame
    """POSITIONS; empty once they are summarised."""
    stretches: pd.DataFrame
    """STRETCHES"""
    marks: pd.DataFrame
    """MARKS"""
    chains: Chains
    raw_plants: pd.DataFrame
    """PLANTS of the photos that were joined, as each photo has them."""
    raw_stretches: pd.DataFrame
    """STRETCHES of these."""

    def files(self) -> dict[str, str]:
        """Files for the results folder: marks.csv wherever boards were seen, and what tells of chains."""
        files = {"marks.csv": csv_text(MARKS, self.marks)} if len(self.marks) else {}
        if len(self.chains.seams):
            files["seams.csv"] = csv_text(SEAMS, self.chains.seams)
        if self.chains.any:
            files["chains.csv"] = csv_text(CHAINS, self.chains.table)
            files["chain_finds.csv"] = csv_text(tables.PLANTS, self.raw_plants)
        return files

    def by_photo(self, spacing: SpacingSettings, statistics: StatisticsSettings, summary: Summary) -> Summary | None:
        """Gaps and rows of the joined photos each by itself, to be drawn into them; None where nothing was joined."""
        if not self.chains.any:
            return None
        known = summary.nominal.spacing_cm
        nominal = known if np.isfinite(known) else None
        spacing = replace(spacing, nominal_spacing_cm=nominal)
        return summarise(positions_from_plants(self.raw_plants), self.raw_stretches, spacing, statistics)


def chain_photos(
    measurements: Sequence[Measurement], settings: ChainSettings, visit_of: Mapping[str, str] | None = None
) -> Chained:
    """Join the photos of each plot, and of each visit, that share boards.

    Parameters
    ----------
    measurements : sequence of Measurement
    settings : ChainSettings
    visit_of : mapping, optional
        Photo to its day or visit: photos of two visits are never joined.
    """
    visit_of = visit_of or {}

    def group(piece: Piece) -> object:
        return piece.plot, visit_of.get(piece.photo, "")

    stacks = [Stack(table) for table in (tables.PLANTS, tables.POSITIONS, tables.STRETCHES, MARKS)]
    for m in measurements:  # once: each may come from disk
        for one, frame in zip(stacks, (m.plants, m.positions, m.stretches, m.marks), strict=True):
            one.add(frame)
    plants, positions, stretches, marks = (one.whole() for one in stacks)
    # names may have changed since measuring
    shared = stretches.groupby("plot", sort=False)["photo"].nunique()
    shared = shared.index[shared > 1]
    if not len(shared):
        nothing = Chains(tables.empty(CHAINS), tables.empty(SEAMS), ())
        return Chained(plants, positions, stretches, marks, nothing, plants.iloc[:0], stretches.iloc[:0])
    # rows of plots that one photo shows can be tied to none, and laying out thousands of them takes long
    own_plants, own_stretches, own_marks = (f[f["plot"].isin(shared)] for f in (plants, stretches, marks))
    chains = find_chains(own_plants, own_stretches, own_marks, settings, group)
    if not chains.any:
        return Chained(plants, positions, stretches, marks, chains, plants.iloc[:0], stretches.iloc[:0])
    joined = join_rows(plants, stretches, chains, settings)
    names = list(ROW)
    member = pd.MultiIndex.from_frame(chains.table[names])

    def raw(table: pd.DataFrame) -> pd.DataFrame:
        return table[pd.MultiIndex.from_frame(table[names]).isin(member)].reset_index(drop=True)

    return Chained(
        joined.plants,
        positions_from_plants(joined.plants),
        joined.stretches,
        join_marks(marks, chains),
        chains,
        raw(plants),
        raw(stretches),
    )
