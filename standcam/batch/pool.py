"""Jobs spread over processes, or over the workers of a Dask cluster: the only file that knows of either.

Results come in the order of the jobs whatever ran them, with only a few jobs ahead of the one that is waited for, so
that memory does not grow with their number. A job whose process dies (killed for want of memory, most likely) is tried
once more with a process to itself, and costs nothing but its own result if that dies too.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Any, TypeVar

from standcam.errors import BadSettings, NoCluster

if TYPE_CHECKING:  # one process alone does without
    from concurrent.futures import Future, ProcessPoolExecutor

Job = TypeVar("Job")
Result = TypeVar("Result")

FEWEST_JOBS = 4
"""Jobs a process must have before it is worth starting of the program's own accord: one takes about a second."""
LONGEST_WITHOUT_WORKERS_S = 60.0
"""A cluster whose workers are started anew goes on; one that has lost them for good is not waited for over night."""
_SAY_AFTER_S, _LOOK_S = 5.0, 1.0
_MORE_READY = 2
"""Jobs waiting beside those that are being worked on, for each worker."""


def cores() -> int:
    """Cores that this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # only Linux tells
        return os.cpu_count() or 1


def worth(jobs: int, wanted: int | None = None) -> int:
    """How many processes to use: as many as wanted, else all cores, but no more than pay for their start."""
    if wanted is not None:
        return max(1, min(wanted, jobs))
    return max(1, min(cores(), jobs // FEWEST_JOBS))


class Spread:
    """Where jobs are done: in this process, in several, or on a Dask cluster.

    Processes are started with the first jobs and stay for the next; leaving the ``with`` block ends them.

    Parameters
    ----------
    workers : int
        Processes; 1 works in this one.
    scheduler : str, optional
        Address of a Dask scheduler, whose workers are used instead.
    """

    def __init__(self, workers: int = 1, scheduler: str | None = None) -> None:
        self._workers, self._scheduler = workers, scheduler
        self._pool: ProcessPoolExecutor | None = None

    def __enter__(self) -> Spread:
        return self

    def __exit__(self, *_: object) -> None:
        self._end()

    @property
    def away(self) -> bool:
        """Whether jobs leave this process."""
        return self._workers > 1 or self._scheduler is not None

    def map(
        self,
        function: Callable[[Job], Result],
        jobs: Iterable[Job],
        lost: Callable[[Job], Result] | None = None,
    ) -> Iterator[Result]:
        """Results in the order of the jobs; see :func:`map_jobs`."""
        if self._scheduler is not None:
            yield from _on_cluster(function, jobs, self._scheduler, lost)
        elif self._workers > 1:
            yield from self._in_processes(function, jobs, lost)
        else:
            yield from map(function, jobs)

    def _in_processes(
        self,
        function: Callable[[Job], Result],
        jobs: Iterable[Job],
        lost: Callable[[Job], Result] | None,
    ) -> Iterator[Result]:
        from concurrent.futures.process import BrokenProcessPool

        waiting = iter(jobs)
        under_way: deque[tuple[Job, Future[Result]]] = deque()
        try:
            while True:
                for job in itertools.islice(waiting, self._workers * (1 + _MORE_READY) - len(under_way)):
                    self._pool = self._pool or _pool(self._workers)
                    under_way.append((job, _submit(self._pool, function, job)))
                if not under_way:
                    return
                job, future = under_way[0]
                try:
                    result = future.result()
                except BrokenProcessPool:
                    self._end()
                    broken = list(under_way)
                    under_way.clear()
                    yield from _one_by_one(function, broken, lost)
                    continue
                under_way.popleft()
                yield result
        finally:
            for _, future in under_way:
                future.cancel()

    def _end(self) -> None:
        pool, self._pool = self._pool, None
        if pool is not None:
            pool.shutdown(wait=True, cancel_futures=True)


def map_jobs(
    function: Callable[[Job], Result],
    jobs: Iterable[Job],
    workers: int = 1,
    scheduler: str | None = None,
    lost: Callable[[Job], Result] | None = None,
) -> Iterator[Result]:
    """Results in the order of the jobs.

    Parameters
    ----------
    function : callable
        Picklable where processes are used; it should not raise.
    jobs : iterable
        Drawn from as room for more comes.
    workers, scheduler
        As of :class:`Spread`.
    lost : callable, optional
        Gives the result of a job whose process died twice. Without it that raises.

    Raises
    ------
    NoCluster
        The scheduler cannot be reached, or Dask is not installed.
    """
    with Spread(workers, scheduler) as spread:
        yield from spread.map(function, jobs, lost)


def _one_by_one(
    function: Callable[[Job], Result],
    broken: list[tuple[Job, Future[Result]]],
    lost: Callable[[Job], Result] | None,
) -> Iterator[Result]:
    """Results of jobs that were under way when a process died, each that has none tried alone."""
    from concurrent.futures.process import BrokenProcessPool

    pool: ProcessPoolExecutor | None = None
    try:
        for job, future in broken:
            if future.done() and not future.cancelled() and future.exception() is None:
                yield future.result()
                continue
            pool = pool or _pool(1)
            alone = _submit(pool, function, job)
            try:
                yield alone.result()
            except BrokenProcessPool:
                pool.shutdown(wait=True, cancel_futures=True)
                pool = None
                if not _processes_live():  # no fault of the job: this computer starts none
                    yield function(job)
                elif lost is None:
                    raise
                else:
                    yield lost(job)
    finally:
        if pool is not None:
            pool.shutdown(wait=True, cancel_futures=True)


def _submit(pool: ProcessPoolExecutor, function: Callable[[Job], Result], job: Job) -> Future[Result]:
    from concurrent.futures import Future
    from concurrent.futures.process import BrokenProcessPool

    try:
        with _few_threads():  # a process may be started here
            return pool.submit(function, job)
    except BrokenProcessPool as error:
        failed: Future[Result] = Future()
        failed.set_exception(error)
        return failed


def _processes_live() -> bool:
    from concurrent.futures.process import BrokenProcessPool

    try:
        with _pool(1) as pool, _few_threads():
            return pool.submit(os.getpid).result() > 0
    except (BrokenProcessPool, OSError):
        return False


def _pool(workers: int) -> ProcessPoolExecutor:
    from concurrent.futures import ProcessPoolExecutor

    return ProcessPoolExecutor(workers, mp_context=_context(), initializer=_begin)


def _context() -> Any:
    import multiprocessing

    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    # libraries are loaded once and shared by all workers
    context.set_forkserver_preload([_PRELOADED[-1]])
    return context


_PRELOADED = ["standcam.batch.preloaded"]


def warm_up(preloaded: str | None = None) -> None:
    """Start loading what workers need, a module's imports, while this process does something else."""
    if preloaded is not None:
        _PRELOADED.append(preloaded)
    if _context().get_start_method() == "forkserver":
        from multiprocessing import forkserver

        with _few_threads():
            forkserver.ensure_running()


@contextlib.contextmanager
def _few_threads() -> Iterator[None]:
    """Processes started within use one thread for linear algebra: there are as many of them as cores."""
    names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
    added = [name for name in names if name not in os.environ]
    os.environ.update(dict.fromkeys(added, "1"))
    try:
        yield
    finally:
        for name in added:
            os.environ.pop(name, None)


def _begin() -> None:
    """What a worker process does first."""
    import multiprocessing
    import signal

    import cv2

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the master, which ends its workers
    cv2.setNumThreads(1)
    keep_freed_memory()
    with contextlib.suppress(OSError), open("/proc/self/oom_score_adj", "w") as file:
        file.write("500")  # where memory runs out, the master should not be the one to die
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: Any) -> None:
    from multiprocessing.connection import wait

    wait([sentinel])
    os._exit(1)


def keep_freed_memory() -> None:
    """Let this process keep memory that it frees: pages of a photo are then not asked of the system photo by photo.

    Linux with glibc (mallopt(3)); does nothing elsewhere.
    """
    _tell_malloc(trim_threshold=(1 << 31) - 1, mmap_threshold=1 << 25, mmap_max=0)


def give_freed_memory_back() -> None:
    """Undo :func:`keep_freed_memory`: give the system back what is free, now and from now on."""
    _tell_malloc(trim_threshold=1 << 17, mmap_threshold=1 << 17, mmap_max=1 << 16, trim=True)


def _tell_malloc(trim_threshold: int, mmap_threshold: int, mmap_max: int, trim: bool = False) -> None:
    if not sys.platform.startswith("linux"):
        return
    import ctypes

    with contextlib.suppress(OSError, AttributeError):
        libc = ctypes.CDLL("libc.so.6")
        for name, value in ((-3, mmap_threshold), (-4, mmap_max), (-1, trim_threshold)):
            libc.mallopt(name, value)
        if trim:
            libc.malloc_trim(0)


def _on_cluster(
    function: Callable[[Job], Result],
    jobs: Iterable[Job],
    address: str,
    lost: Callable[[Job], Result] | None,
) -> Iterator[Result]:
    try:
        from distributed import Client
        from distributed.scheduler import KilledWorker
    except ImportError:
        raise NoCluster(
            "Dask is not installed, and --scheduler needs it.", "Install it: pip install 'standcam[cluster]'."
        ) from None
    try:
        client = Client(address, timeout="10s", set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        first = (str(error).strip().splitlines() or [type(error).__name__])[0]
        raise NoCluster(
            f"No Dask scheduler answers at {address}: {first}.", "Check the address, such as tcp://host:8786."
        ) from None
    with client:
        _check_workers(client, address)
        waiting = iter(jobs)
        under_way: deque[tuple[Job, Any]] = deque()
        while True:
            room = (1 + _MORE_READY) * max(1, sum(client.nthreads().values()))
            for job in itertools.islice(waiting, max(0, room - len(under_way))):
                under_way.append((job, client.submit(_in_turn, function, job, pure=False)))
            if not under_way:
                return
            job, future = under_way.popleft()
            try:
                result = _result(future, client, address)
            except KilledWorker:
                if lost is None:
                    raise
                result = lost(job)
            yield result


def _result(future: Any, client: Any, address: str) -> Any:
    """The result of a job, or an end to waiting where no worker is left for it.

    Raises
    ------
    NoCluster
        All workers have been gone for ``LONGEST_WITHOUT_WORKERS_S``, or the scheduler itself is gone.
    """
    from concurrent.futures import CancelledError

    from distributed.comm import CommClosedError

    alone_since: float | None = None
    told = False
    remedy = "Start it again and call again: photos counted so far are kept."
    while True:
        try:
            return future.result(timeout=_LOOK_S)
        except TimeoutError as error:
            if future.done():  # the job itself ran out of time
                raise error
        except (CancelledError, CommClosedError):
            raise NoCluster(f"The Dask scheduler at {address} has gone.", remedy) from None
        try:
            workers = client.scheduler_info()["workers"] if client.status == "running" else {}
        except (OSError, TimeoutError, CommClosedError):
            workers = {}
        if workers:
            alone_since = None
            if told:
                _say(f"Dask workers are back at {address}; the count goes on.")
                told = False
            continue
        now = time.monotonic()
        alone_since = now if alone_since is None else alone_since
        if now - alone_since > LONGEST_WITHOUT_WORKERS_S:
            raise NoCluster(
                f"The Dask scheduler at {address} has had no workers for {now - alone_since:.0f} s.",
                "Start some (dask worker ADDRESS) and call again: photos counted so far are kept.",
            )
        if not told and now - alone_since > _SAY_AFTER_S:
            _say(
                f"All Dask workers at {address} have gone; waiting {LONGEST_WITHOUT_WORKERS_S:.0f} s for others "
                "(dask worker ADDRESS)."
            )
            told = True


def _say(sentence: str) -> None:
    print(f"standcam: {sentence}", file=sys.stderr, flush=True)


def _check_workers(client: Any, address: str) -> None:
    """Workers of another version would count otherwise."""
    from importlib.resources import files

    from standcam.batch.store import program_digest

    told = client.run(_digest_here)
    if not told:
        raise NoCluster(f"The Dask scheduler at {address} has no workers.", "Start some: dask worker ADDRESS.")
    other = [worker for worker, digest in told.items() if digest != program_digest(str(files("standcam")))]
    if other:
        raise NoCluster(
            f"{len(other)} of {len(told)} Dask workers have another standcam than this computer, or none: {other[0]}.",
            "Install the same version on all of them.",
        )


def _digest_here() -> str:
    from importlib.resources import files

    from standcam.batch.store import program_digest

    keep_freed_memory()
    return program_digest(str(files("standcam")))


_TURN = threading.Lock()


def _in_turn(function: Callable[[Job], Result], job: Job) -> Result:
    """One job at a time in a process: networks are shared by its threads and bear only one."""
    with _TURN:
        return function(job)


def check_workers(workers: int | None) -> None:
    """Refuse a number of workers that makes no sense.

    Raises
    ------
    BadSettings
    """
    if workers is not None and workers < 1:
        raise BadSettings(f"--workers is {workers}.", "Give 1 or more.")
