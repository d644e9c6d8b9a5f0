"""Measurements of a run in the order of its photos, held in memory only while they are looked at."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from itertools import chain
from typing import Any

import pandas as pd

from standcam.aside import OneByOne
from standcam.batch.input_list import Inputs
from standcam.batch.inputs import Input
from standcam.batch.pieces import unpack
from standcam.batch.store import KEY, Keys, WorkStore
from standcam.errors import UnwritableResults
from standcam.measure import Measurement


class Measured(OneByOne[Measurement]):
    """Measurements that lie in a store, or in memory where there is none; read while the store is open."""

    def __init__(self, store: WorkStore | None = None) -> None:
        self._store = store
        self._inputs: list[Input] | Inputs = []
        if store is not None:
            with store.clear_errors():
                self._inputs = Inputs(folder=store.folder)
        self._keys = bytearray()
        self._held: list[Measurement] = []
        self._then: Callable[[int, Measurement], Measurement] | None = None

    def add(self, job: Input, held: str | Measurement) -> None:
        """One more: the key of its piece where there is a store, else itself.

        Raises
        ------
        UnwritableResults
            Disk full.
        """
        if isinstance(self._inputs, list):
            self._inputs.append(job)
        elif self._store is not None:
            with self._store.clear_errors():
                self._inputs.add(job)
        if isinstance(held, str):
            if len(held) != KEY:
                raise ValueError(f"{held!r} is no key")
            self._keys += held.encode("ascii")
        else:
            self._held.append(held)

    def keys(self, more: Iterable[str] = ()) -> Keys:
        """Keys of all pieces, and some more."""
        return Keys(chain((self.key(k) or "" for k in range(len(self))), more))

    def key(self, k: int) -> str | None:
        """Key of the piece of one photo; None where there is no store."""
        k = range(len(self))[k]
        return None if self._store is None else self._keys[k * KEY : (k + 1) * KEY].decode("ascii")

    def then(self, change: Callable[[int, Measurement], Measurement]) -> Measured:
        """The same, each changed when it is looked at."""
        changed = Measured(self._store)
        changed._inputs, changed._keys, changed._held = self._inputs, self._keys, self._held
        changed._then = change
        return changed

    def __len__(self) -> int:
        return len(self._inputs)

    def _item(self, k: int) -> Measurement:
        key = self.key(k)
        m = self._held[k] if key is None else self._read(key)["measurement"]
        m = named(m, self._inputs[k])
        return m if self._then is None else self._then(k, m)

    def _read(self, key: str) -> dict[str, Any]:
        piece = None if self._store is None else self._store.get(key)
        if piece is None:
            raise UnwritableResults(
                "What was counted in this run has gone from its folder.", "Call again: only what is gone is counted."
            )
        return unpack(piece)  # type: ignore[no-any-return]


def named(m: Measurement, job: Input) -> Measurement:
    """The measurement under the names that the photo and its plot have in this run."""
    if (m.photo, m.plot, m.path) == (job.photo, job.plot, job.path):
        return m
    names = {"photo": job.photo, "plot": job.plot}
    frames = {
        name: table.assign(**{c: v for c, v in names.items() if c in table})
        for name, table in vars(m).items()
        if isinstance(table, pd.DataFrame)
    }
    return replace(m, path=job.path, photo=job.photo, plot=job.plot, **frames)  # type: ignore[arg-type]
