"""Pieces of a strip looked at on all cores: those that an earlier run kept are taken from its store."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any

from standcam.batch.pieces import BadPiece, pack, unpack
from standcam.batch.pool import map_jobs
from standcam.batch.store import WorkStore


def looked(
    look: Callable[[Any], Any],
    jobs: Sequence[Any],
    keys: Sequence[str],
    store: WorkStore | None,
    workers: int,
    scheduler: str | None,
    lost: Callable[[Any], Any],
) -> Iterator[tuple[Any, bool]]:
    """What each job gave, in their order, and whether an earlier run had done it.

    Parameters
    ----------
    look : callable
        Picklable; gives what :func:`standcam.batch.pieces.pack` can hold.
    jobs : sequence
    keys : sequence of str
        Name of each job's piece, by all that what it gives depends on.
    store : WorkStore, optional
    workers, scheduler
        As of :func:`standcam.batch.pool.map_jobs`.
    lost : callable
        Gives the result of a job whose process was killed twice, or raises.
    """
    known = [_whole(None if store is None else store.get(key)) for key in keys]
    missing = [job for job, found in zip(jobs, known, strict=True) if found is None]
    fresh = map_jobs(look, missing, workers, scheduler, lost)
    for k, key in enumerate(keys):
        found, known[k] = known[k], None
        if found is not None:
            yield found, True
            continue
        found = next(fresh)
        if store is not None:
            store.put(key, pack(found, quick=True))
        yield found, False


def _whole(piece: bytes | None) -> Any:
    if piece is None:
        return None
    try:
        return unpack(piece)
    except BadPiece:
        return None
