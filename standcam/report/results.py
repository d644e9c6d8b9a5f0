"""The results folder: written whole into a hidden folder, then renamed; never overwritten unasked.

A run that fails or is broken off leaves the old results as they were, or none. Tables follow the registers
in :mod:`standcam.tables`; text that a spreadsheet would run as a formula is disarmed, and
:func:`read_table` gives it back as it was.
"""

from __future__ import annotations

import contextlib
import csv
import errno
import json
import os
import platform
import re
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from standcam import tables
from standcam.aside import Lines
from standcam.errors import ResultsExist, UnwritableResults
from standcam.files import umask
from standcam.report.file_names import safe_stem, same_name
from standcam.report.lock import FileLock, Held
from standcam.report.run_file import Records, files_of_run, write_run
from standcam.settings import Settings
from standcam.stand.plotmap import DESIGN
from standcam.tables import BadTable

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

_DECIMALS = {
    "px": 2, "cm": 3, "cm²": 3, "m": 3, "%": 2, "1/ha": 1, "1": 4,
    "1/acre": 1, "1/10 m²": 2, "1/0.001 acre": 2,
}  # fmt: skip
_PATH_COLUMNS = ("photo", "path")
_FORMULA = "=+\\-@\t\r\n＝＋－＠"
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")


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
        raise UnwritableResults(
            f"{out} is a file, not a folder for results.", "Name another folder with --out."
        )
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


def run_record(
    command: str,
    settings: Settings,
    inputs: Sequence[dict[str, Any]],
    started: datetime,
    notes: Sequence[str] = (),
    **more: Any,
) -> dict[str, Any]:
    """What was run, on what, with what: the content of run.json.

    Parameters
    ----------
    command : str
        Name of the command, ``count`` or ``tape``.
    settings : Settings
        As used.
    inputs : sequence of dict
        One record an input: ``path``, ``sha256`` and what else is worth keeping.
    started : datetime
        With time zone.
    notes : sequence of str
        Sentences about the whole run.
    more
        Further entries.
    """
    from standcam import __version__

    finished = datetime.now(UTC)
    seconds: float | None = round((finished - started).total_seconds(), 3)
    if finished < started:
        seconds = None
        notes = [*notes, "The clock was set back while this ran: started, finished and seconds cannot be trusted."]
    libraries = ("numpy", "pandas", "scipy", "cv2", "skimage", "PIL")
    return {
        "standcam": __version__,
        "command": command,
        "started": started.astimezone(UTC).isoformat(timespec="seconds"),
        "finished": finished.isoformat(timespec="seconds"),
        "seconds": seconds,
        "settings_digest": settings.digest(),
        "settings": settings.to_dict(),
        "inputs": inputs if isinstance(inputs, Records) else list(inputs),
        "notes": list(notes),
        "python": platform.python_version(),
        "platform": f"{platform.system()} {platform.machine()}",
        # only what this run has loaded: nothing is imported for the sake of its version
        "libraries": {
            name: str(getattr(sys.modules[name], "__version__", ""))
            for name in libraries
            if name in sys.modules
        },
    } | more


def csv_text(table: tables.Table, frame: pd.DataFrame) -> str:
    """A table as the text of its CSV: registered columns first, rounded by their units, formulas disarmed.

    Lengths keep hundredths of a millimetre and pixels hundredths: a hundred times finer than any photo tells.
    """
    return "".join(csv_parts(Lines.of(table, frame)))


def csv_parts(lines: Lines, at_once: int = 10_000) -> Iterator[str]:
    """The same text in parts of so many lines at most: that of a long table takes more memory than the table."""
    table = lines.table
    # the writer quotes a line feed within a cell and not a carriage return, which readers take for the end of a line
    odd = any(_holds_carriage_return(part) for part in lines.parts())
    header = True
    for whole in lines.parts():
        frame = tables.conform(table, whole)
        for begin in range(0, max(len(frame), 1), at_once):
            part = rounded(table, frame.iloc[begin : begin + at_once])
            for name in part.columns:
                if _holds_texts(part[name]):
                    prefix = _prefix(name)
                    part[name] = [disarm(v, prefix) if isinstance(v, str) else v for v in part[name]]
            yield part.to_csv(
                index=False,
                header=header,
                lineterminator="\n",
                quoting=csv.QUOTE_NONNUMERIC if odd else csv.QUOTE_MINIMAL,
            )
            header = False


def _holds_carriage_return(frame: pd.DataFrame) -> bool:
    return any("\r" in v for name in frame if _holds_texts(frame[name]) for v in frame[name] if isinstance(v, str))


def _holds_texts(column: pd.Series) -> bool:
    return bool(pd.api.types.is_string_dtype(column) or column.dtype == object)


def rounded(table: tables.Table, frame: pd.DataFrame) -> pd.DataFrame:
    """A table as results files show it: registered columns first, numbers rounded by their units."""
    frame = tables.conform(table, frame)
    for column in table.columns:
        if column.dtype == "float64":
            frame[column.name] = frame[column.name].round(_DECIMALS.get(column.unit, 6)) + 0.0  # no "-0.0"
    return frame


def read_table(out: str | Path, table: tables.Table) -> pd.DataFrame:
    """Read one table of a results folder back, texts as they were before :func:`disarm`.

    Further columns are numbers where all of a column are; row unit, treatment and block stay as they were written,
    for "01" is no 1.

    Raises
    ------
    BadTable
        The file is missing or does not fit the register.
    """
    path = Path(out) / f"{table.name}.csv"
    text = {c.name: str for c in table.columns if c.dtype == "str"} | dict.fromkeys(DESIGN, str)
    try:
        frame = pd.read_csv(path, dtype=text, keep_default_na=False, na_values={
            c.name: [""] for c in table.columns if c.dtype != "str"
        })  # fmt: skip
    except FileNotFoundError:
        raise BadTable(f"{path} is missing.", "Name a folder that standcam wrote results to.") from None
    except (OSError, ValueError) as error:
        raise BadTable(f"{path} cannot be read: {error}.", "Make the results anew.") from None
    for name in frame:
        if pd.api.types.is_string_dtype(frame[name]):
            if name not in text and name not in table.names:
                numbers = pd.to_numeric(frame[name].replace("", None), errors="coerce")
                if numbers.notna().sum() == (frame[name] != "").sum() > 0:
                    frame[name] = numbers
                    continue
            frame[name] = [rearm(v, _prefix(name)) if isinstance(v, str) else v for v in frame[name]]
    return tables.conform(table, frame)


def _prefix(column: str) -> str:
    return "./" if column in _PATH_COLUMNS else "'"


def disarm(text: str, prefix: str = "'") -> str:
    """Keep spreadsheets from running a text as a formula.

    A cell that begins with ``= + - @``, tab or carriage return may be run when the CSV is opened (OWASP,
    "CSV Injection"). File names get ``./`` before them, which names the same file; other texts an
    apostrophe. Plain numbers stay as they are. :func:`rearm` takes the prefix off again, whatever the text
    was.
    """
    if _NUMBER.fullmatch(text) or not re.match(f"(?:{re.escape(prefix)})*[{_FORMULA}]", text):
        return text
    return prefix + text


def rearm(text: str, prefix: str = "'") -> str:
    """Undo :func:`disarm`."""
    return text.removeprefix(prefix) if re.match(f"(?:{re.escape(prefix)})+[{_FORMULA}]", text) else text


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
