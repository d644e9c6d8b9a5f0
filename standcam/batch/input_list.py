"""Inputs of a run kept on disk, for a list of them would be the longest thing in memory."""

from __future__ import annotations

import pickle
from collections.abc import Iterable
from pathlib import Path

from standcam.aside import Aside, OneByOne
from standcam.batch.inputs import Input


class Inputs(OneByOne[Input]):
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

    def _item(self, k: int) -> Input:
        return Input(*pickle.loads(self._aside[k]))
