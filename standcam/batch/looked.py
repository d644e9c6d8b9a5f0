"""Pieces of a strip looked at on all cores: those that an earlier run kept are taken from its store."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from standcam.batch.pieces import BadPiece, pack, unpack
from standcam.batch.pool import map_jobs
from standcam.batch.progress import Progress
from standcam.batch.store import WorkStore


def looked(
    look: Callable[[Any], Any],
    jobs: Sequence[Any],
    keys: Sequence[str],
    store: WorkStore | None,
    workers: int,
    scheduler: str | None,
    lost: Callable[[Any], Any],
    progress: Progress,
) -> tuple[list[Any], int]:
    """What each job gave, in their order, and how many of them an earlier run had done.

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
    progress : Progress
        Told what each job gave.
    """
    progress.begin("Looking", len(jobs))
    known = [_whole(None if store is None else store.get(key)) for key in keys]
    missing = [job for job, found in zip(jobs, known, strict=True) if found is None]
    fresh = map_jobs(look, missing, workers, scheduler, lost)
    reused = len(jobs) - len(missing)
    for k, key in enumerate(keys):
        if known[k] is None:
            known[k] = next(fresh)
            if store is not None:
                store.put(key, pack(known[k], quick=True))
        progress(known[k])
    return known, reused


def _whole(piece: bytes | None) -> Any:
    if piece is None:
        return None
    try:
        return unpack(piece)
    except BadPiece:
        return None
