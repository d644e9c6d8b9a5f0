"""The results folder: written whole into a hidden folder, then renamed; never overwritten unasked.

A run that fails or is broken off leaves the old results as they were, or none. Tables follow the registers
in :mod:`standcam.tables`; text that a spreadsheet would run as a formula is disarmed, and
:func:`read_table` gives it back as it was.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import re
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from standcam import tables
from standcam.aside import Lines
from standcam.errors import ResultsExist, UnwritableResults
from standcam.files import umask
from standcam.report.csv_tables import csv_parts
from standcam.report.file_names import safe_stem, same_name
from standcam.report.lock import FileLock, Held
from standcam.report.run_file import files_of_run, write_run

TABLES = {
    "plants.csv": tables.PLANTS,
    "gaps.csv": tables.GAPS,
    "rows.csv": tables.ROWS,
    "plots.csv": tables.PLOTS,
    "problems.csv": tables.PROBLEMS,
}
RUN, MARKED, _ASIDE = "run.json", "marked", "aside"
REPORT, SPREADSHEET, PARQUET = "report.html", "results.xlsx", "results.parquet"
OWN_FILES = (*TABLES, RUN, REPORT, SPREADSHEET, PARQUET)
"""Files that only standcam writes. A folder that holds one of them holds results."""

_OLD, _JOURNAL, _MOVES = ".standcam-old-", "lock", "moves.json"
_INSIDE = re.compile(rf"(?:{MARKED}/)?(?!\.\.?$)[^/\\]+")
"""Names of files that results may hold."""


def holds_results(out: str | Path) -> list[str]:
    """What of earlier results a folder holds; empty when nothing."""
    out = Path(out)
    held = [name for name in OWN_FILES if os.path.exists(out / name)]
    if not held and os.path.isdir(out / MARKED) and any((out / MARKED).iterdir()):
        held = [f"{MARKED}/"]
    return held


def check_out(out: str | Path, force: bool = False) -> None:
    """Raise before any work is done if results could not, or must not, be written to ``out``.

    Raises
    ------
    ResultsExist
        ``out`` holds results and ``force`` is not set.
    UnwritableResults
        ``out`` is a file, or lies where nothing can be written.
    """
    out = Path(out)
    put_right(out)
    # os.path answers no where pathlib raises for lack of rights; the rights are looked at below
    if os.path.exists(out) and not os.path.isdir(out):
        raise UnwritableResults(f"{out} is a file, not a folder for results.", "Name another folder with --out.")
    if os.path.exists(out / "survey.toml") and os.path.exists(out / "plots.csv") and not os.path.exists(out / RUN):
        raise UnwritableResults(
            f"{out} is a survey, and its plots.csv would be replaced.", "Name another folder with --out."
        )
    held = holds_results(out)
    if held and not force:
        raise ResultsExist(
            f"{out} already holds results ({', '.join(held)}).",
            "Name another folder with --out, or add --force.",
        )
    place = out
    while not os.path.exists(place):
        place = place.parent
    if not os.path.isdir(place) or not os.access(place, os.W_OK | os.X_OK):
        raise UnwritableResults(f"Nothing can be written in {place}.", "Name another folder with --out.")


def put_right(out: str | Path) -> None:
    """Give back earlier results that a run was about to replace when it was killed; does nothing else."""
    if not os.path.isdir(out):
        return
    for old in sorted(Path(out).glob(f"{_OLD}*")):
        journal = FileLock(old / _JOURNAL)
        try:
            journal.take()
        except (Held, OSError):  # a run is at it, or nothing can be done here
            continue
        try:
            _give_back(Path(out), old)
        except OSError as error:
            raise UnwritableResults(
                f"Earlier results of {out} cannot be put back from {old}: {error.strerror or error}.",
                "Check the rights and the free space.",
            ) from None
        finally:
            journal.release(remove=False)


def _give_back(out: Path, old: Path) -> None:
    """Undo the moves of a killed run; without a list of moves none was made, or all of them were."""
    try:
        moves = json.loads((old / _MOVES).read_text(encoding="utf-8"))
        before, new = set(moves["before"]), moves["new"]
    except FileNotFoundError:
        shutil.rmtree(old, ignore_errors=True)
        return
    except (ValueError, KeyError, TypeError):  # cut short: moves come after it
        _forget(old)
        return
    for name in new:
        # a file that was there before and has not been moved away yet is still the old one
        if _INSIDE.fullmatch(name) and (name not in before or (old / name).exists()):
            with contextlib.suppress(FileNotFoundError):
                os.unlink(out / name)
    for name in sorted(before, key=lambda f: f == RUN):
        if _INSIDE.fullmatch(name) and (old / name).exists():
            (out / name).parent.mkdir(exist_ok=True)
            os.replace(old / name, out / name)
    _forget(old)


def _forget(old: Path) -> None:
    """Remove old results; from the first step on they are no longer given back."""
    try:
        os.unlink(old / _MOVES)
    except FileNotFoundError:
        pass
    except OSError:
        return
    shutil.rmtree(old, ignore_errors=True)


class ResultsWriter:
    """Gathers a run's results in a hidden folder and puts them in place at the end.

    Use it as a context manager: leaving without :meth:`finish` (an error, Ctrl-C) removes what was gathered
    and leaves ``out`` as it was.

    Parameters
    ----------
    out : path
        Results folder; made, with its parents, if missing.
    force : bool
        Replace results that ``out`` holds. Files that standcam did not write stay.
    home : path, optional
        Folder to gather in, on the same disk; one is made in or beside ``out`` without it.

    Raises
    ------
    ResultsExist, UnwritableResults
        See :func:`check_out`.
    """

    def __init__(self, out: str | Path, force: bool = False, home: str | Path | None = None) -> None:
        """Claim the folder; nothing in it is touched before ``finish``."""
        check_out(out, force)
        self.out, self.force = Path(out), force
        self._marked: list[str] = []
        self._ready: list[str] = []
        self._taken: set[str] = set()
        self._made_parents: list[Path] = []
        with self._clear_errors():
            prefix = ".standcam-"
            if home is not None:
                home = Path(home)
            elif self.out.exists():
                home = self.out
            else:
                home, prefix = self.out.absolute().parent, f".{self.out.name[:50]}-"
                missing = [p for p in (home, *home.parents) if not p.exists()]
                home.mkdir(parents=True, exist_ok=True)
                self._made_parents = missing
            self._work = Path(tempfile.mkdtemp(prefix=prefix, dir=home))
            self._work.chmod(0o777 & ~umask())

    def __enter__(self) -> ResultsWriter:
        return self

    def __exit__(self, *_: object) -> None:
        self.abandon()

    def put_aside(self, name: str, data: bytes) -> None:
        """Keep bytes on disk for the length of the run, under a name of the caller's choice."""
        with self._clear_errors():
            (self._work / _ASIDE).mkdir(exist_ok=True)
            (self._work / _ASIDE / name).write_bytes(data)

    def aside(self, name: str) -> bytes:
        """Bytes that were put aside."""
        with self._clear_errors():
            return (self._work / _ASIDE / name).read_bytes()

    def add_marked(self, photo: str, jpeg: bytes) -> str:
        """Keep a marked photo; gives its name under ``marked/``, which no other photo has."""
        base, dot, ending = photo.rpartition(".")
        if not dot or ending.lower() not in ("jpg", "jpeg"):
            base, ending = photo, "jpg"
        base = safe_stem(base)
        name, n = f"{base}.{ending}", 1
        while same_name(name) in self._taken:
            n += 1
            name = f"{base}_{n}.{ending}"
        with self._clear_errors():
            (self._work / MARKED).mkdir(exist_ok=True)
            # not flushed to the platter one by one: a marked photo can be drawn anew
            (self._work / MARKED / name).write_bytes(jpeg)
        self._taken.add(same_name(name))
        self._marked.append(name)
        return name

    def marked_photo(self, name: str) -> bytes | None:
        """A marked photo that was added under this name, or None."""
        return marked_photo(self._work, name)

    def make(self, files: Callable[[Path], tuple[list[str], list[str]]]) -> list[str]:
        """Let files be written where results are gathered, to be put in place with them.

        Parameters
        ----------
        files : callable
            Writes them into the folder it is given; gives their names, and sentences on what could not be made.

        Returns
        -------
        list of str
            These sentences.

        Raises
        ------
        UnwritableResults
            Disk full, or no rights.
        """
        with self._clear_errors():
            names, told = files(self._work)
        self._ready += names
        return told

    def finish(
        self,
        *,
        plants: pd.DataFrame | Lines,
        gaps: pd.DataFrame | Lines,
        rows: pd.DataFrame,
        plots: pd.DataFrame,
        problems: pd.DataFrame,
        run: dict[str, Any],
        more: Mapping[str, bytes | str | Iterable[str]] | None = None,
    ) -> Path:
        """Write tables, further files by name and the run record, put all in place, and give the results folder.

        Raises
        ------
        BadTable
            A table does not fit its register.
        UnwritableResults
            Disk full, no rights, or a file held open by another program; old results are still there.
        """
        frames = dict(zip(TABLES, (plants, gaps, rows, plots, problems), strict=True))
        parts = {name: csv_parts(Lines.of(TABLES[name], frame)) for name, frame in frames.items()}
        return self.finish_files(parts | dict(more or {}), run)

    def finish_files(self, contents: Mapping[str, bytes | str | Iterable[str]], run: dict[str, Any]) -> Path:
        """Write files by name and the run record, put all in place, and give the results folder.

        A text may come in parts, so that only one of them need be in memory.

        Raises
        ------
        UnwritableResults
            Disk full, no rights, or a file held open by another program; old results are still there.
        """
        files = [*contents, *self._ready, RUN, *(f"{MARKED}/{name}" for name in self._marked)]
        with self._clear_errors():
            for name, content in contents.items():
                _write(self._work / name, content)
            for name in self._ready:
                _flush(self._work / name)
            write_run(self._work / RUN, run | {"files": files})
            shutil.rmtree(self._work / _ASIDE, ignore_errors=True)
            self._put_in_place(files)
        self.abandon()
        return self.out

    def abandon(self) -> None:
        """Remove what was gathered; does nothing after :meth:`finish`."""
        shutil.rmtree(self._work, ignore_errors=True)
        for folder in self._made_parents:  # innermost first; a folder with something in it stays
            with contextlib.suppress(OSError):
                folder.rmdir()
        self._made_parents = []

    def _put_in_place(self, files: Sequence[str]) -> None:
        if not self.out.exists():
            os.rename(self._work, self.out)
            self._made_parents = []
            return
        check_out(self.out, self.force)  # another run may have finished there meanwhile
        old = Path(tempfile.mkdtemp(prefix=_OLD, dir=self.out))
        journal = FileLock(old / _JOURNAL)
        before = [n for n in dict.fromkeys([*_written_before(self.out), *files]) if (self.out / n).is_file()]
        moved: list[tuple[Path, Path]] = []
        try:
            journal.take()
            _write(old / _MOVES, json.dumps({"before": before, "new": files}))
            # the run record goes first and comes last: where it stands, the rest stands too
            for name in sorted(before, key=lambda f: f != RUN):
                _move(self.out / name, old / name, moved)
            for name in sorted(files, key=lambda f: f == RUN):
                _move(self._work / name, self.out / name, moved)
        except BaseException:
            left = 0
            for source, target in reversed(moved):
                try:
                    os.replace(target, source)
                except OSError:
                    left += 1
            if not left:
                _forget(old)
            raise
        else:
            _forget(old)
        finally:
            journal.release(remove=False)
        if (self.out / MARKED).is_dir() and not any((self.out / MARKED).iterdir()):
            (self.out / MARKED).rmdir()

    @contextlib.contextmanager
    def _clear_errors(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            remedy = {
                errno.ENOSPC: "Free some space, or name a folder on another disk with --out.",
                errno.EDQUOT: "Free some space, or name a folder on another disk with --out.",
            }.get(error.errno or 0, "Check the rights, close programs that use it, or change --out.")
            raise UnwritableResults(
                f"Results cannot be written to {self.out}: {error.strerror or error}.", remedy
            ) from None


def write_results(
    out: str | Path,
    *,
    plants: pd.DataFrame,
    gaps: pd.DataFrame,
    rows: pd.DataFrame,
    plots: pd.DataFrame,
    problems: pd.DataFrame,
    run: dict[str, Any],
    marked: dict[str, bytes] | None = None,
    force: bool = False,
) -> Path:
    """Write a whole results folder in one go; see :class:`ResultsWriter` for doing it photo by photo.

    Parameters
    ----------
    out : path
        Results folder.
    plants, gaps, rows, plots, problems : DataFrame
        Tables by the registers of the same names.
    run : dict
        Run record, see :func:`run_record`.
    marked : dict, optional
        Photo name to JPEG bytes.
    force : bool
        Replace results that ``out`` holds.

    Raises
    ------
    ResultsExist, UnwritableResults, BadTable
    """
    with ResultsWriter(out, force) as writer:
        for photo, jpeg in (marked or {}).items():
            writer.add_marked(photo, jpeg)
        return writer.finish(plants=plants, gaps=gaps, rows=rows, plots=plots, problems=problems, run=run)


def marked_photo(folder: str | Path, name: str) -> bytes | None:
    """JPEG of a marked photo of results by its name under ``marked/``; None where it cannot be read."""
    if not name or Path(name).name != name:
        return None
    try:
        return (Path(folder) / MARKED / name).read_bytes()
    except OSError:
        return None


def add_files(
    out: str | Path, files: Callable[[Path], tuple[list[str], list[str]]]
) -> tuple[list[str], list[str], list[str]]:
    """Put further files into a results folder, each whole or not at all.

    Parameters
    ----------
    out : path
    files : callable
        As of :meth:`ResultsWriter.make`.

    Returns
    -------
    names, told, replaced : list of str
        Files, sentences on what could not be made, and which files had been there before.

    Raises
    ------
    UnwritableResults
        Disk full or no rights; files that were there are as they were.
    """
    out = Path(out)
    work: Path | None = None
    try:
        work = Path(tempfile.mkdtemp(prefix=".standcam-", dir=out))
        names, told = files(work)
        replaced = [name for name in names if (out / name).exists()]
        for name in names:
            _flush(work / name)
        for name in names:
            os.replace(work / name, out / name)
    except OSError as error:
        raise UnwritableResults(
            f"{out} cannot be written to: {error.strerror or error}.", "Check the rights and the free space."
        ) from None
    finally:
        if work is not None:
            shutil.rmtree(work, ignore_errors=True)
    return names, told, replaced


def _written_before(out: Path) -> list[str]:
    """Files of earlier results by their own list, and never one outside the folder."""
    try:
        listed = files_of_run(out / RUN)
    except (OSError, ValueError, KeyError, TypeError):
        listed = []
    return [*OWN_FILES, *(name for name in listed if isinstance(name, str) and _INSIDE.fullmatch(name))]


def _move(source: Path, target: Path, moved: list[tuple[Path, Path]]) -> None:
    target.parent.mkdir(exist_ok=True)
    os.replace(source, target)
    moved.append((source, target))


def _write(path: Path, content: str | bytes | Iterable[str]) -> None:
    # names that are no valid Unicode (possible on Linux) are written as \udcXX, not lost with the table
    with open(path, "wb") as file:
        for part in (content,) if isinstance(content, str | bytes) else content:
            file.write(part.encode("utf-8", errors="backslashreplace") if isinstance(part, str) else part)
        file.flush()
        os.fsync(file.fileno())


def _flush(path: Path) -> None:
    with open(path, "rb+") as file:
        os.fsync(file.fileno())
