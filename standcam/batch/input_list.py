"""Inputs of a run kept on disk, for a list of them would be the longest thing in memory."""

from __future__ import annotations

import pickle
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import overload

from standcam.aside import Aside
from standcam.batch.inputs import Input


class Inputs(Sequence[Input]):
    """Inputs that lie on disk: in memory one of them takes half a kilobyte, here eight bytes.

    Parameters
    ----------
    items : iterable of Input
    folder : path, optional
        Where there is room for them; the system's folder for such files without it.

    Raises
    ------
    OSError
        Disk full.
    """

    def __init__(self, items: Iterable[Input] = (), folder: str | Path | None = None) -> None:
        self._aside = Aside(folder)
        for item in items:
            self.add(item)

    def add(self, item: Input) -> None:
        """One more.

        Raises
        ------
        OSError
            Disk full.
        """
        self._aside.add(pickle.dumps((item.file, item.photo, item.plot, item.visit, item.place), protocol=5))

    def __len__(self) -> int:
        return len(self._aside)

    @overload
    def __getitem__(self, k: int) -> Input: ...
    @overload
    def __getitem__(self, k: slice) -> Sequence[Input]: ...
    def __getitem__(self, k: int | slice) -> Input | Sequence[Input]:
        if isinstance(k, slice):
            return [self[i] for i in range(*k.indices(len(self)))]
        return Input(*pickle.loads(self._aside[k]))

    def __iter__(self) -> Iterator[Input]:
        return (self[k] for k in range(len(self)))
