"""Chains of photos in a count: rows that several photos share are one row in every table, the raw finds kept beside."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

from standcam import tables
from standcam.aside import Lines, LinesWriter
from standcam.chain.join import ChainFinder, Chains, join_marks, join_rows
from standcam.chain.links import ROW, Piece
from standcam.chain.register import CHAINS, MARKS, SEAMS
from standcam.measure import Measurement
from standcam.report.csv_tables import csv_parts, csv_text
from standcam.settings import ChainSettings, SpacingSettings, StatisticsSettings
from standcam.spacing.positions import positions_from_plants
from standcam.summarise import LongSummary, summarise_parts

MOST_LINES, MOST_PHOTOS = 4_000, 250
"""Plants, or photos, whose tables are held together; bounds memory."""
Part = tuple[pd.DataFrame, pd.DataFrame]
"""POSITIONS and STRETCHES of some photos."""


@dataclass(frozen=True)
class Chained:
    """Tables of all photos, a chain being one row of one photo."""

    plants: Lines
    """PLANTS; where something was joined with source_photo, source_row, source_plant and seen behind."""
    marks: Lines
    """MARKS"""
    parts: Callable[[], Iterator[Part]]
    """Gives POSITIONS and STRETCHES, photos in the order they came in, a chain where its first photo was."""
    chains: Chains
    raw_plants: Lines
    """PLANTS of the photos that were joined, as each photo has them."""
    raw_parts: Callable[[], Iterator[Part]]
    """POSITIONS and STRETCHES of these."""

    def files(self) -> dict[str, str | Iterable[str]]:
        """Files for the results folder: marks.csv wherever boards were seen, and what tells of chains."""
        files: dict[str, str | Iterable[str]] = {}
        if len(self.marks):
            files["marks.csv"] = csv_parts(self.marks)
        if len(self.chains.seams):
            files["seams.csv"] = csv_text(SEAMS, self.chains.seams)
        if self.chains.any:
            files["chains.csv"] = csv_text(CHAINS, self.chains.table)
            files["chain_finds.csv"] = csv_parts(self.raw_plants)
        return files

    def summarised(self) -> Chained:
        """The same without positions and stretches, once all that they tell is in the summary."""
        return replace(self, parts=lambda: iter(()), raw_parts=lambda: iter(()))

    def by_photo(
        self, spacing: SpacingSettings, statistics: StatisticsSettings, known_cm: float, folder: Path | None = None
    ) -> LongSummary | None:
        """Gaps and rows of the joined photos each by itself, to be drawn into them; None where nothing was joined.

        Parameters
        ----------
        spacing, statistics
            Settings.
        known_cm : float
            Theoretical spacing of all rows together; NaN where unknown. [cm]
        folder : path, optional
            Where there is room for the gaps.
        """
        if not self.chains.any:
            return None
        spacing = replace(spacing, nominal_spacing_cm=known_cm if np.isfinite(known_cm) else None)
        return summarise_parts(self.raw_parts, spacing, statistics, folder)


def chain_photos(
    measurements: Sequence[Measurement],
    settings: ChainSettings,
    visit_of: Mapping[str, str] | None = None,
    folder: Path | None = None,
) -> Chained:
    """Join the photos of each plot, and of each visit, that share boards.

    Parameters
    ----------
    measurements : sequence of Measurement
        Looked at once, and those of plots with several photos that show boards once more.
    settings : ChainSettings
    visit_of : mapping, optional
        Photo to its day or visit: photos of two visits are never joined.
    folder : path, optional
        Where there is room for the tables.

    Raises
    ------
    OSError
        Disk full.
    """
    found = _Gathered(measurements, folder)
    visit_of = visit_of or {}

    def group(piece: Piece) -> object:
        return piece.plot, visit_of.get(piece.photo, "")

    finder = ChainFinder(settings, group)
    joined = _Joined(settings, folder)
    for photos in found.shared(settings.by_plants):
        some = [measurements[k] for k in photos]
        plants, stretches, marks = (
            _together(table, [getattr(m, table.name) for m in some])
            for table in (tables.PLANTS, tables.STRETCHES, MARKS)
        )
        joined.add(plants, stretches, marks, finder.add(plants, stretches, marks))
    chains = finder.chains()
    if not chains.any:
        nothing = Lines.of(tables.PLANTS, tables.empty(tables.PLANTS))
        return Chained(found.plants, found.marks, found.parts, chains, nothing, lambda: iter(()))
    return _with_chains(found, chains, joined)


class _Joined:
    """Rows of the chains, each with its plants in a part of its own."""

    def __init__(self, settings: ChainSettings, folder: Path | None) -> None:
        self._settings = settings
        self.plants = LinesWriter(tables.PLANTS, folder)
        self.marks = LinesWriter(MARKS, folder)
        self.stretches: list[pd.DataFrame] = []
        self.part_of: dict[tuple[object, ...], int] = {}

    def add(self, plants: pd.DataFrame, stretches: pd.DataFrame, marks: pd.DataFrame, chains: Chains) -> None:
        if not chains.any:
            return
        rows = join_rows(plants, stretches, chains, self._settings)
        names = chains.table["chain"].unique()
        for key in chains.table[["chain", "plot", "chain_row"]].drop_duplicates().itertuples(index=False, name=None):
            own = np.logical_and.reduce([rows.plants[c] == v for c, v in zip(ROW, key, strict=True)])
            self.plants.add(rows.plants[own])
            self.plants.end_part()
            self.part_of[key] = len(self.part_of)
        self.stretches.append(rows.stretches[rows.stretches["photo"].isin(names)])
        moved = join_marks(marks, chains)
        self.marks.add(moved[moved["photo"].isin(names)])
        self.marks.end_part()


def _with_chains(found: _Gathered, chains: Chains, joined: _Joined) -> Chained:
    keys = list(ROW)
    member = pd.MultiIndex.from_frame(chains.table[keys])

    def in_chain(part: pd.DataFrame) -> np.ndarray:
        return np.asarray(pd.MultiIndex.from_frame(part[keys]).isin(member))

    def raw(part: pd.DataFrame) -> pd.DataFrame:
        return part[in_chain(part)].reset_index(drop=True)

    def loose(part: pd.DataFrame) -> pd.DataFrame:
        part = part[~in_chain(part)].reset_index(drop=True)
        return part.assign(source_photo=part["photo"], source_row=part["row"], source_plant=part["plant"], seen=1)

    # a chain stands where the first of its photos stood
    place = {key: n for n, key in enumerate(found.stretches[keys].itertuples(index=False, name=None))}
    first: dict[tuple[object, ...], int] = {}
    for line in chains.table.itertuples():
        key, at = (line.chain, line.plot, line.chain_row), place[(line.photo, line.plot, line.row)]
        first[key] = min(at, first.get(key, at))
    ends = pd.concat(joined.stretches, ignore_index=True)
    kept = ~in_chain(found.stretches)
    rank = np.array([*np.flatnonzero(kept), *(first[k] for k in ends[keys].itertuples(index=False, name=None))], int)
    order = np.argsort(rank, kind="stable")
    both = pd.concat([found.stretches[kept], ends], ignore_index=True)
    rank, stretches = rank[order], tables.conform(tables.STRETCHES, both.iloc[order])

    def parts() -> Iterator[Part]:
        for part, (begin, end) in zip(found.plants.parts(), found.spans(), strict=True):
            own = stretches.iloc[np.searchsorted(rank, begin) : np.searchsorted(rank, end)]
            named = own[keys].itertuples(index=False, name=None)
            in_chains = [joined.plants.part(joined.part_of[key]) for key in named if key in joined.part_of]
            yield positions_from_plants(_together(tables.PLANTS, [loose(part), *in_chains])), own

    def raw_parts() -> Iterator[Part]:
        for part, (begin, end) in zip(found.plants.parts(), found.spans(), strict=True):
            yield positions_from_plants(raw(part)), raw(found.stretches.iloc[begin:end])

    marks = found.marks.then(lambda part: part[~in_chain(part)]).and_then(joined.marks.done())
    plants = found.plants.then(loose).and_then(joined.plants.done())
    return Chained(plants, marks, parts, chains, found.plants.then(raw), raw_parts)


class _Gathered:
    """Tables of the photos, one below the other: those of plants and marks on disk, part by part."""

    def __init__(self, measurements: Sequence[Measurement], folder: Path | None) -> None:
        plants, marks = LinesWriter(tables.PLANTS, folder), LinesWriter(MARKS, folder)
        self._begins = [0]
        first: dict[str, int] = {}
        photos_of: dict[str, list[int]] = {}  # of plots that several show; most surveys have few, and lists are large
        with_marks: set[int] = set()
        blocks: list[pd.DataFrame] = []
        waiting: list[pd.DataFrame] = []
        rows = since = 0

        def end_part() -> None:
            nonlocal since
            plants.end_part()
            marks.end_part()
            blocks.append(_together(tables.STRETCHES, waiting))
            waiting.clear()
            self._begins.append(rows)
            since = 0

        for k, m in enumerate(measurements):  # once: each may come from disk
            plants.add(m.plants)
            waiting.append(m.stretches)
            if m.marks is not None and len(m.marks):
                marks.add(m.marks)
                with_marks.add(k)
            for plot in m.stretches["plot"].unique():
                if first.setdefault(plot, k) != k:
                    photos_of.setdefault(plot, [first[plot]]).append(k)
            rows, since = rows + len(m.stretches), since + 1
            if plants.waiting >= MOST_LINES or since >= MOST_PHOTOS:
                end_part()
        if since or not blocks:
            end_part()
        self.plants, self.marks = plants.done(), marks.done()
        self.stretches = _together(tables.STRETCHES, blocks)
        self._shared = [photos_of[plot] for plot in first if plot in photos_of]
        self._with_marks = with_marks

    def shared(self, by_plants: bool) -> list[list[int]]:
        """Photos of each plot that several show and that may be tied: by boards, or by plants alone."""
        return [p for p in self._shared if by_plants or not self._with_marks.isdisjoint(p)]

    def spans(self) -> Iterator[tuple[int, int]]:
        """Stretches of each part of the plants: the first, and the one behind the last."""
        return pairwise(self._begins)

    def parts(self) -> Iterator[Part]:
        """POSITIONS and STRETCHES of the photos."""
        for part, (begin, end) in zip(self.plants.parts(), self.spans(), strict=True):
            yield positions_from_plants(part), self.stretches.iloc[begin:end]


def _together(table: tables.Table, frames: Sequence[pd.DataFrame | None]) -> pd.DataFrame:
    filled = [frame for frame in frames if frame is not None and len(frame)]
    return tables.conform(table, pd.concat(filled, ignore_index=True)) if filled else tables.empty(table)
