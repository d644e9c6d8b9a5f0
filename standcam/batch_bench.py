"""What a batch costs: ``standcam count`` on repeats of a few photos, one core against all, and against decoding them.

Every figure comes from whole runs of the program in processes of their own, files written and marked photos drawn, in
one go on one machine. "One core" is one process held to one OpenCV thread and one thread of linear algebra; left to
itself, that process would use all cores for parts of its work, and the gain of several processes would look smaller
than a second core is worth. Modules are compiled by a run that is not timed, as installing compiles them.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pandas as pd

from standcam.errors import StandcamError, UnreadablePhoto

LOCATORS = ("learned", "shape")
_THREADS = ("OPENCV_FOR_THREADS_NUM", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
_DECODE = """
import sys, time, cv2
paths = sys.stdin.read().split("\\0")
for path in paths[:2]:
    cv2.imread(path)
since = time.perf_counter()
for path in paths:
    if cv2.imread(path) is None:
        sys.exit(f"OpenCV does not decode {path}")
print((time.perf_counter() - since) / len(paths), cv2.getNumThreads())
"""


class BenchFailed(StandcamError):
    """A run that was to be timed ended with an error."""


def repeats_of(photos: Sequence[str | Path], many: int, folder: str | Path) -> list[Path]:
    """So many copies of the photos, each with a name and bytes of its own; the pictures stay as they are.

    A comment makes JPEGs differ. Other pictures are copied as they are.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    made = []
    for k in range(many):
        path = Path(photos[k % len(photos)])
        data = path.read_bytes()
        if data[:2] == b"\xff\xd8":
            words = f"copy {k}".encode()
            data = data[:2] + b"\xff\xfe" + (len(words) + 2).to_bytes(2, "big") + words + data[2:]
        made.append(folder / f"{k:05d}_{path.name}")
        made[-1].write_bytes(data)
    return made


def run(
    photos: Sequence[str | Path],
    many: int = 40,
    locators: Sequence[str] = LOCATORS,
    workers: int | None = None,
    repeats: int = 1,
    on_step: Callable[[str], None] | None = None,
) -> pd.DataFrame:
    """Time batches of repeats of the photos.

    Parameters
    ----------
    photos : sequence of path
        Repeated in turn.
    many : int
        Photos of the batch.
    locators : sequence of str
        Ways of finding stems to time.
    workers : int, optional
        Processes to hold against one; all cores by default.
    repeats : int
        Rounds, each with all runs one after the other; medians are given.
    on_step : callable, optional
        Told in words what is timed next.

    Returns
    -------
    DataFrame
        One line a locator and number of processes: ``locator``, ``processes``, ``photos``, ``seconds`` of the whole
        run, ``ms_per_photo`` of it, ``start_ms`` before and after the photos, ``ms_per_photo_without_start`` (from a
        second, shorter run: what one more photo takes), ``decode_ms`` of a photo (``cv2.imread``, one thread),
        ``times_decoding`` and ``times_decoding_without_start``, ``times_as_fast`` as one process (whole runs), and of
        the single process ``cpu_ms_per_photo`` and ``peak_mb``.

    Raises
    ------
    UnreadablePhoto
        OpenCV does not decode a photo, so that there is nothing to compare with.
    BenchFailed
        A run ended with an error.
    """
    from standcam.batch.pool import cores

    workers = cores() if workers is None else workers
    few = min(max(2 * workers, many // 5), max(1, many // 2))
    tell = on_step or (lambda _: None)
    lines: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory(prefix="standcam-") as temporary:
        work = Path(temporary)
        every = repeats_of(photos, many, work / "many")
        repeats_of(photos, few, work / "few")
        _decoding(every)
        for locator in locators:
            _counting(work, "few", locator, 1)
        for n in range(repeats):
            for locator in locators:
                tell(f"round {n + 1} of {repeats}: decoding")
                decode = _decoding(every)
                for processes in dict.fromkeys((1, workers)):
                    tell(f"round {n + 1} of {repeats}: {locator}, {processes} of {workers} processes")
                    short = _counting(work, "few", locator, processes)
                    long = _counting(work, "many", locator, processes)
                    more = (long["seconds"] - short["seconds"]) / max(1, many - few)
                    lines.append(
                        {
                            "locator": locator,
                            "processes": processes,
                            "photos": many,
                            "seconds": long["seconds"],
                            "ms_per_photo": 1000 * long["seconds"] / many,
                            "start_ms": 1000 * (long["seconds"] - many * more),
                            "ms_per_photo_without_start": 1000 * more,
                            "decode_ms": 1000 * decode,
                            "cpu_ms_per_photo": 1000 * long["cpu"] / many if processes == 1 else float("nan"),
                            "peak_mb": long["peak_mb"] if processes == 1 else float("nan"),
                        }
                    )
    keys = ["locator", "processes", "photos"]
    table = pd.DataFrame(lines).groupby(keys, sort=False).median().reset_index()
    table["times_decoding"] = table["ms_per_photo"] / table["decode_ms"]
    table["times_decoding_without_start"] = table["ms_per_photo_without_start"] / table["decode_ms"]
    alone = table[table["processes"] == 1].set_index("locator")["seconds"]
    table["times_as_fast"] = table["locator"].map(alone) / table["seconds"]
    last = ["cpu_ms_per_photo", "peak_mb"]
    return table[[name for name in table if name not in last] + last]


def environment(one_thread: bool, compiled: Path | None = None) -> dict[str, str]:
    """Variables of a run in a process of its own that imports this package.

    Parameters
    ----------
    one_thread : bool
        Whether each library is held to one thread.
    compiled : path, optional
        Folder for compiled modules: a checkout need not have them.
    """
    root = str(Path(__file__).parents[1])
    chosen = {"PYTHONPATH": os.pathsep.join(filter(None, [root, os.environ.get("PYTHONPATH")]))}
    if one_thread:
        chosen |= dict.fromkeys(_THREADS, "1")
    if compiled is not None:
        chosen |= {"PYTHONPYCACHEPREFIX": str(compiled), "PYTHONDONTWRITEBYTECODE": ""}
    return os.environ | chosen


@contextmanager
def started(
    words: Sequence[str], work: Path, one_thread: bool, what: str, remedy: str, session: bool = False
) -> Iterator[subprocess.Popen]:
    """The program at work in a process of its own; within, it is to be waited for.

    Parameters
    ----------
    words : sequence of str
        Command and options.
    work : path
        Folder for what it says, and for compiled modules, which stay.
    one_thread : bool
        Whether each library is held to one thread.
    what, remedy : str
        Of a run that fails: behind "A run", and what to do.
    session : bool
        Whether it begins a session, by which the processes that it starts can be told.

    Raises
    ------
    BenchFailed
        It ended with an error.
    """
    with open(work / "said.txt", "w+", encoding="utf-8") as said:
        program = subprocess.Popen(
            [sys.executable, "-c", "from standcam.cli.app import main; main()", *words],
            env=environment(one_thread, work / "compiled"),
            stdout=said,
            stderr=said,
            start_new_session=session,
        )
        yield program
        if program.returncode:
            said.seek(0)
            last = (said.read().strip().splitlines() or ["it said nothing"])[-1]
            raise BenchFailed(f"A run {what} ended with {program.returncode}: {last}", remedy)


def aligned(head: Sequence[str], cells: Sequence[Sequence[str]]) -> list[str]:
    """Lines of a table whose columns end one below the other."""
    widths = [max(len(line[k]) for line in [head, *cells]) for k in range(len(head))]
    return ["  ".join(c.rjust(n) for c, n in zip(line, widths, strict=True)) for line in [head, *cells]]


def _decoding(photos: Sequence[Path]) -> float:
    """Seconds to decode one, in the mean, with one thread."""
    done = subprocess.run(
        [sys.executable, "-c", _DECODE],
        input="\0".join(map(str, photos)),
        capture_output=True,
        text=True,
        env=environment(True),
    )
    if done.returncode:
        raise UnreadablePhoto((done.stderr.strip().splitlines() or ["?"])[-1] + ".", "Time JPEG or PNG photos.")
    return float(done.stdout.split()[0])


def _counting(work: Path, folder: str, locator: str, processes: int) -> dict[str, float]:
    """Seconds of one run of the program, with processor time and peak memory of its first process where told."""
    out = work / "out"
    shutil.rmtree(out, ignore_errors=True)
    words = ["count", str(work / folder), "--out", str(out), "--workers", str(processes), "--locator", locator]
    words += ["--row-width-cm", "76", "--nominal-cm", "16.5", "--no-report"]
    since = time.perf_counter()
    with started(words, work, processes == 1, f"of {folder} photos", "Count them first.") as program:
        used = None
        if hasattr(os, "wait4"):
            _, status, used = os.wait4(program.pid, 0)
            program.returncode = os.waitstatus_to_exitcode(status)
        else:  # Windows
            program.wait()
        seconds = time.perf_counter() - since
    cpu = used.ru_utime + used.ru_stime if used else float("nan")
    return {"seconds": seconds, "cpu": cpu, "peak_mb": used.ru_maxrss / 1024 if used else float("nan")}
