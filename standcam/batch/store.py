"""What a count has done so far, on disk: so that a run broken off at any instant goes on where it was.

A hidden folder in the results folder, or beside it as long as there is none, holds one piece for each counted photo,
named by all that its numbers depend on: the bytes of the photo and its name, settings, files that settings name, and
the program itself. Neither times of files nor the clock are asked. Pieces are written whole and renamed; what does not
prove whole when it is read counts as not there. When the run is done the pieces move into the results, so that the next
run there counts only photos that changed.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
import shutil
from bisect import bisect_left
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from standcam.batch.pieces import is_whole
from standcam.errors import ResultsBusy, UnwritableResults
from standcam.files import sha256_of
from standcam.report.lock import FileLock, Held
from standcam.report.run_file import Records
from standcam.settings import Settings

STORE = ".standcam-work"
_PIECES, _VIEWS, _LOCK = "pieces", "views", "lock"
_MEASURING = ("photo", "calibration", "vegetation", "rows", "stems")
"""Stages of the settings that what a photo gives depends on: changing others leaves pieces good."""
KEY = 40
"""Letters of a key."""
_LONGEST_NAME = 200
"""A longer name of a results folder is shortened for the folder beside it: names end at 255 bytes on most systems."""


class Keys(Collection[str]):
    """Names of pieces, in memory as their letters and nothing more.

    Parameters
    ----------
    keys : iterable of str
        Empty ones are none.
    """

    def __init__(self, keys: Iterable[str] = ()) -> None:
        self._sorted = b"".join(sorted({key.encode("ascii") for key in keys if key}))

    def __len__(self) -> int:
        return len(self._sorted) // KEY

    def __getitem__(self, k: int) -> bytes:
        return self._sorted[k * KEY : (k + 1) * KEY]

    def __iter__(self) -> Iterator[str]:
        return (self[k].decode("ascii") for k in range(len(self)))

    def __contains__(self, key: object) -> bool:
        wanted = str(key).encode("ascii", "replace")
        k = bisect_left(self, wanted)
        return k < len(self) and self[k] == wanted


class WorkStore:
    """The pieces of one results folder, locked for one run.

    Parameters
    ----------
    out : path
        Results folder, which need not be there yet.

    Raises
    ------
    ResultsBusy
        Another run is at work on this results folder.
    UnwritableResults
        Nothing can be written there.
    """

    def __init__(self, out: str | Path) -> None:
        self.out = Path(os.path.abspath(out))
        self._name = str(out)
        self._made: list[Path] = []
        with self.clear_errors():
            self.folder, self._lock = self._claim()
            for name in os.listdir(self.folder):  # what a run that was killed was about to put in place
                if name not in (_PIECES, _VIEWS, _LOCK):
                    _remove(self.folder / name)
            for part in (_PIECES, _VIEWS):
                (self.folder / part).mkdir(exist_ok=True)
        self.kept_before = sum(1 for _ in self._pieces())
        """Pieces that were there at the start."""

    def __enter__(self) -> WorkStore:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def put(self, key: str, piece: bytes, view: bytes | None = None) -> None:
        """Keep a piece, and the small copy of its photo.

        Raises
        ------
        UnwritableResults
            Disk full, or no rights.
        """
        with self.clear_errors():
            if view is not None:
                _write_whole(self._view(key), view)
            _write_whole(self._piece(key), piece)

    def get(self, key: str) -> bytes | None:
        """The bytes of a piece that is whole, or None."""
        try:
            with open(self._piece(key), "rb") as file:
                data = file.read()
        except OSError:
            return None
        return data if is_whole(data) else None

    def view(self, key: str) -> bytes | None:
        """The small copy of a photo, or None: it can be made anew."""
        try:
            with open(self._view(key), "rb") as file:
                return file.read() or None
        except OSError:
            return None

    def records(self) -> Records:
        """A place for the records of photos, gone with the run.

        Raises
        ------
        UnwritableResults
            Disk full, or no rights.
        """
        with self.clear_errors():
            return Records(self.folder)

    def keep(self, keys: Collection[str]) -> None:
        """End of a run that wrote its results: pieces of these photos go into the results folder, all else goes."""
        shutil.rmtree(self.folder / _VIEWS, ignore_errors=True)
        kept = False
        with contextlib.suppress(OSError):  # what cannot be looked at stays
            for piece in self._pieces():
                if os.path.basename(piece) in keys:
                    kept = True
                    continue
                with contextlib.suppress(OSError):
                    os.unlink(piece)
        inside = self.out / STORE
        if self.folder != inside and kept:
            # the results are whole by now; pieces that cannot follow them cost time in the next run, and nothing else
            with contextlib.suppress(OSError):
                inside.mkdir(exist_ok=True)
                shutil.rmtree(inside / _PIECES, ignore_errors=True)
                os.replace(self.folder / _PIECES, inside / _PIECES)

    def close(self) -> None:
        """Let others at the results folder; takes the store away where nothing in it is worth keeping."""
        if not self._holds_pieces():
            for part in (_PIECES, _VIEWS):
                shutil.rmtree(self.folder / part, ignore_errors=True)
        self._lock.release()
        for folder in [self.folder, *self._made]:  # a folder with something in it stays
            with contextlib.suppress(OSError):
                folder.rmdir()

    def _claim(self) -> tuple[Path, FileLock]:
        while True:
            folder = _place(self.out)
            self._made = [p for p in folder.parents if not p.exists()]
            folder.mkdir(parents=True, exist_ok=True)
            lock = FileLock(folder / _LOCK)
            try:
                lock.take()
            except Held as held:
                raise ResultsBusy(
                    f"{self._name} is in the hands of {held}.", "Wait for it, or name another folder with --out."
                ) from None
            except FileNotFoundError:  # the one who was done took the folder away just then
                continue
            if _place(self.out) == folder:
                return folder, lock
            lock.release()

    def _holds_pieces(self) -> bool:
        with contextlib.suppress(OSError):
            return any(True for _ in self._pieces())
        return False

    # text and no Path: that would put the name of each piece into Python's table of names, which grows by megabytes

    def _pieces(self) -> Iterator[str]:
        """All pieces that are there; any may be taken away meanwhile."""
        within = os.path.join(self.folder, _PIECES)
        for folder in sorted(os.path.join(within, name) for name in os.listdir(within)):
            if os.path.isdir(folder):
                yield from (os.path.join(folder, name) for name in os.listdir(folder) if "." not in name)

    def _piece(self, key: str) -> str:
        return os.path.join(self.folder, _PIECES, key[:2], key)

    def _view(self, key: str) -> str:
        return os.path.join(self.folder, _VIEWS, key[:2], f"{key}.jpg")

    @contextlib.contextmanager
    def clear_errors(self) -> Iterator[None]:
        """Tell of faults in writing as UnwritableResults."""
        try:
            yield
        except OSError as error:
            full = error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
            remedy = (
                "Free some space and call again: photos counted so far are kept."
                if full
                else "Check the rights, or name another folder with --out."
            )
            raise UnwritableResults(
                f"Work for {self._name} cannot be written: {error.strerror or error}.", remedy
            ) from None


def measuring_key(settings: Settings, looks: bool = False) -> str:
    """Hex digest of all but the photo itself that measuring it depends on."""
    chosen = settings.to_dict()
    stages = {name: chosen[name] for name in _MEASURING}
    stages["output"] = {"marked_width_px": settings.output.marked_width_px}
    named = [settings.calibration.board, settings.calibration.lens, settings.stems.network, settings.stems.card]
    return looking_key(stages, named, looks=looks)


def looking_key(stages: Mapping[str, Any], named: Sequence[str | None], **more: Any) -> str:
    """Hex digest of all that looking at a picture depends on beside the picture: program, libraries and settings.

    Parameters
    ----------
    stages : mapping
        Settings it depends on, by stage.
    named : sequence of str or None
        Files that these settings name: their contents count.
    more
        Whatever else.
    """
    from importlib.resources import files

    import cv2
    import numpy as np
    import pandas as pd

    parts = {
        "program": program_digest(str(files("standcam"))),
        "libraries": [cv2.__version__, np.__version__, pd.__version__, *_readers()],
        "settings": stages,
        "files": {path: _file_digest(path) for path in named if path is not None},
        **more,
    }
    return hashlib.sha256(json.dumps(parts, sort_keys=True, default=str).encode()).hexdigest()


def piece_key(measuring: str, sha256: str, name: str) -> str:
    """Name of the piece of a photo; its file name belongs to it, for notes repeat it."""
    text = f"{measuring}:{sha256}:{name}".encode("utf-8", errors="surrogateescape")
    return hashlib.sha256(text).hexdigest()[:KEY]


@cache
def program_digest(package: str) -> str:
    """Digest of the version and of every file of the program, for a changed program may count otherwise."""
    from standcam import __version__

    digest = hashlib.sha256(__version__.encode())
    found = []
    for folder, _, names in os.walk(package):  # a third of the time that Path.rglob takes
        inside = Path(os.path.relpath(folder, package)).as_posix()
        found += [
            (name if inside == "." else f"{inside}/{name}", os.path.join(folder, name))
            for name in names
            if name.endswith((".py", ".toml", ".json", ".gz", ".csv")) and os.path.isfile(os.path.join(folder, name))
        ]
    for name, path in sorted(found):
        with open(path, "rb") as file:
            digest.update(name.encode() + b"\0" + file.read() + b"\0")
    return digest.hexdigest()


def _readers() -> list[str]:
    """Versions of the libraries that open pictures: a photo that one could not read, another may."""
    from importlib.metadata import PackageNotFoundError, version

    found = []
    for name in ("pillow", "pillow-heif"):
        try:
            found.append(version(name))
        except PackageNotFoundError:
            found.append("")
    return found


def _file_digest(path: str) -> str:
    try:
        return sha256_of(path)
    except OSError:
        return ""  # one that ships with the package, or missing: told when it is opened


def _place(out: Path) -> Path:
    """Where the store of a results folder is, or would be."""
    inside = out / STORE
    parent, name = Path(os.path.realpath(out.parent)), out.name
    if len(os.fsencode(name)) > _LONGEST_NAME:
        name = hashlib.sha256(os.fsencode(name)).hexdigest()[:16]
    beside = parent / f".{name}{STORE}"
    if inside.is_dir():
        return inside
    return beside if beside.is_dir() or not out.is_dir() else inside


def _write_whole(path: str, data: bytes) -> None:
    # not flushed to the platter: after a power cut the checksum tells what did not get there
    with contextlib.suppress(FileExistsError):
        os.mkdir(os.path.dirname(path))
    half = f"{path}.part"
    try:
        _write(half, data)
        os.replace(half, path)
    except OSError:
        with contextlib.suppress(OSError):
            os.unlink(half)
        raise


def _write(path: str, data: bytes) -> None:
    with open(path, "wb") as file:
        file.write(data)


def _remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
    else:
        with contextlib.suppress(OSError):
            path.unlink()
