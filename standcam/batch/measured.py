"""Measurements of a run in the order of its photos, held in memory only while they are looked at."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Any, overload

import pandas as pd

from standcam.batch.inputs import Input
from standcam.batch.pieces import unpack
from standcam.batch.store import WorkStore
from standcam.errors import UnwritableResults
from standcam.measure import Measurement


class Measured(Sequence[Measurement]):
    """Measurements that lie in a store, or in memory where there is none; read while the store is open."""

    def __init__(self, store: WorkStore | None = None) -> None:
        self._store = store
        self._inputs: list[Input] = []
        self._held: list[str | Measurement] = []
        self._then: Callable[[int, Measurement], Measurement] | None = None

    def add(self, job: Input, held: str | Measurement) -> None:
        """One more: the key of its piece, or itself."""
        self._inputs.append(job)
        self._held.append(held)

    def keys(self) -> set[str]:
        """Keys of all pieces."""
        return {held for held in self._held if isinstance(held, str)}

    def key(self, k: int) -> str | None:
        """Key of the piece of one photo."""
        held = self._held[k]
        return held if isinstance(held, str) else None

    def then(self, change: Callable[[int, Measurement], Measurement]) -> Measured:
        """The same, each changed when it is looked at."""
        changed = Measured(self._store)
        changed._inputs, changed._held, changed._then = self._inputs, self._held, change
        return changed

    def __len__(self) -> int:
        return len(self._held)

    @overload
    def __getitem__(self, k: int) -> Measurement: ...
    @overload
    def __getitem__(self, k: slice) -> Sequence[Measurement]: ...
    def __getitem__(self, k: int | slice) -> Measurement | Sequence[Measurement]:
        if isinstance(k, slice):
            return [self[i] for i in range(*k.indices(len(self)))]
        held = self._held[k]
        m = held if isinstance(held, Measurement) else self._read(held)["measurement"]
        m = named(m, self._inputs[k])
        return m if self._then is None else self._then(k % len(self), m)

    def __iter__(self) -> Iterator[Measurement]:
        return (self[k] for k in range(len(self)))

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
