"""What grows by the photo, put aside on disk: bytes one by one, and tables of many lines part by part.

The file has no name and is gone with the object, however the program ends. Nobody else can write to it, so that parts
of tables may lie in it as pickles.
"""

from __future__ import annotations

import pickle
import tempfile
from abc import abstractmethod
from array import array
from collections.abc import Callable, Iterator, Sequence
from itertools import chain
from pathlib import Path
from typing import TypeVar, overload

import pandas as pd

from standcam import tables

KEYS = ["photo", "plot", "row"]
T = TypeVar("T")


class Aside:
    """Bytes in a file without a name, read back by their number.

    Parameters
    ----------
    folder : path, optional
        Where there is room for them; the system's folder for such files without it.

    Raises
    ------
    OSError
        The file cannot be made.
    """

    def __init__(self, folder: str | Path | None = None) -> None:
        self._file = tempfile.TemporaryFile(dir=folder)  # noqa: SIM115 - open as long as it is needed
        self._begins = array("q", [0])

    def __del__(self) -> None:
        file = getattr(self, "_file", None)  # none where it could not be made
        if file is not None:
            file.close()

    def add(self, data: bytes) -> None:
        """One more.

        Raises
        ------
        OSError
            Disk full.
        """
        self._file.seek(self._begins[-1])
        self._file.write(data)
        self._begins.append(self._begins[-1] + len(data))

    def __len__(self) -> int:
        return len(self._begins) - 1

    def __getitem__(self, k: int) -> bytes:
        k = range(len(self))[k]
        self._file.seek(self._begins[k])
        return self._file.read(self._begins[k + 1] - self._begins[k])


class OneByOne(Sequence[T]):
    """A sequence whose items are read one by one, each when it is asked for."""

    @abstractmethod
    def _item(self, k: int) -> T:
        """The item of a number from 0 on."""

    @overload
    def __getitem__(self, k: int) -> T: ...
    @overload
    def __getitem__(self, k: slice) -> list[T]: ...
    def __getitem__(self, k: int | slice) -> T | list[T]:
        if isinstance(k, slice):
            return [self._item(i) for i in range(*k.indices(len(self)))]
        return self._item(range(len(self))[k])

    def __iter__(self) -> Iterator[T]:
        return (self._item(k) for k in range(len(self)))


class Lines:
    """A table that is looked at part by part; the lines of one row of plants are all in one part.

    Parameters
    ----------
    table : Table
        Its register; further columns travel behind.
    parts : callable
        Gives the parts, from the first, each time it is called; one at least, if need be without lines.
    """

    def __init__(self, table: tables.Table, parts: Callable[[], Iterator[pd.DataFrame]]) -> None:
        self.table = table
        self.parts = parts
        self._count: int | None = None

    @staticmethod
    def of(table: tables.Table, lines: pd.DataFrame | Lines) -> Lines:
        """A table in memory as one part; what is in parts already as it is."""
        if isinstance(lines, Lines):
            return lines
        held = Lines(table, lambda: iter([lines]))
        held._count = len(lines)
        return held

    def __len__(self) -> int:
        if self._count is None:
            self._count = sum(len(part) for part in self.parts())
        return self._count

    def whole(self) -> pd.DataFrame:
        """All lines as one table in memory."""
        parts = list(self.parts())
        filled = [part for part in parts if len(part)] or parts[:1]
        return filled[0] if len(filled) == 1 else tables.conform(self.table, pd.concat(filled, ignore_index=True))

    def only(self, columns: list[str]) -> pd.DataFrame:
        """Some columns of all lines, in memory."""
        return pd.concat([part[columns] for part in self.parts()], ignore_index=True)

    def then(self, change: Callable[[pd.DataFrame], pd.DataFrame]) -> Lines:
        """The same, each part changed when it is looked at."""
        return Lines(self.table, lambda: (change(part) for part in self.parts()))

    def and_then(self, more: Lines) -> Lines:
        """The parts of another table below these."""
        return Lines(self.table, lambda: chain(self.parts(), more.parts()))

    def of_rows(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Lines of these rows of plants, by photo, plot and row."""
        wanted = pd.MultiIndex.from_frame(rows[KEYS])

        def own(part: pd.DataFrame) -> pd.DataFrame:
            return part[pd.MultiIndex.from_frame(part[KEYS]).isin(wanted)].reset_index(drop=True)

        return self.then(own).whole()

    def head(self, lines: int) -> Iterator[pd.DataFrame]:
        """Parts that hold the first so many lines, one at least."""
        left = lines
        for n, part in enumerate(self.parts()):
            if n and left <= 0:
                return
            yield part.iloc[:left]
            left -= len(part)


class LinesWriter:
    """Writes a table part by part.

    Parameters
    ----------
    table : Table
    folder : path, optional
        As of :class:`Aside`.

    Raises
    ------
    OSError
        Nothing can be written there.
    """

    def __init__(self, table: tables.Table, folder: str | Path | None = None) -> None:
        self._table = table
        self._aside = Aside(folder)
        self._waiting: list[pd.DataFrame] = []
        self._lines = self._written = 0

    @property
    def waiting(self) -> int:
        """Lines that the next part holds so far."""
        return self._lines

    def add(self, frame: pd.DataFrame) -> None:
        """Lines of the next part."""
        if len(frame):
            self._waiting.append(frame)
            self._lines += len(frame)

    def end_part(self) -> None:
        """Write what was added since the part before, lines or none.

        Raises
        ------
        OSError
            Disk full.
        """
        part = tables.empty(self._table)
        if self._waiting:
            part = tables.conform(self._table, pd.concat(self._waiting, ignore_index=True))
        self._aside.add(pickle.dumps(part, protocol=5))
        self._written += self._lines
        self._waiting, self._lines = [], 0

    def done(self) -> Lines:
        """The table."""
        if self._waiting or not len(self._aside):
            self.end_part()
        lines = Lines(self._table, lambda: (self.part(k) for k in range(len(self._aside))))
        lines._count = self._written
        return lines

    def part(self, k: int) -> pd.DataFrame:
        """One part."""
        part: pd.DataFrame = pickle.loads(self._aside[k])
        return part


class ByPhoto:
    """Lines of one photo after the other, looked up in several tables; the part last read stays in memory."""

    def __init__(self, *found: Lines) -> None:
        self._none = tables.empty(found[0].table)
        self._found = [_Indexed(lines) for lines in found]

    def __getitem__(self, photo: str) -> pd.DataFrame:
        for lines in self._found:
            own = lines.of(photo)
            if own is not None:
                return own
        return self._none


class _Indexed:
    def __init__(self, lines: Lines) -> None:
        self._lines = lines
        self._at: dict[str, int] = {}
        for k, part in enumerate(lines.parts()):
            for photo in part["photo"].unique():
                self._at.setdefault(photo, k)
        self._reading: Iterator[tuple[int, pd.DataFrame]] = iter(())
        self._part, self._number = pd.DataFrame(), -1
        self._rows: dict[str, object] = {}

    def of(self, photo: str) -> pd.DataFrame | None:
        wanted = self._at.get(photo)
        if wanted is None:
            return None
        if wanted < self._number or self._number < 0:  # photos mostly come in the order of the parts
            self._reading, self._number = enumerate(self._lines.parts()), -1
        while self._number < wanted:
            self._number, self._part = next(self._reading)
            if self._number == wanted:
                self._rows = self._part.groupby("photo", sort=False).indices
        return self._part.take(self._rows[photo])
