"""The file of edits: written at its end only, one writer at a time, on the platter before anybody is told."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Sequence
from pathlib import Path

from standcam.errors import BadResults, UnwritableResults
from standcam.report.lock import locked
from standcam.spacing.edits import EDITS, Edit, EditsFile, parse_edits

_NO_FOLLOW = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)


class EditsLog:
    """``edits.jsonl`` of a results folder.

    Several pages, and several runs of ``standcam review``, may write to one file: each appends under a lock on the
    file, after reading what the others wrote. Nobody's edit is lost; of two about one plant the later one holds. (On a
    file system without locks only the order of two that write in the same instant is left open.)
    """

    def __init__(self, folder: str | Path) -> None:
        self.path = Path(folder) / EDITS
        self._known: tuple[tuple[int, int, int], EditsFile] | None = None

    def read(self) -> EditsFile:
        """All edits as they are in the file now.

        Raises
        ------
        BadResults
            The file cannot be read, or is a link.
        """
        try:
            with open(os.open(self.path, os.O_RDONLY | _NO_FOLLOW), "rb") as file:
                about = os.fstat(file.fileno())
                stamp = (about.st_ino, about.st_size, about.st_mtime_ns)
                if self._known is None or self._known[0] != stamp:
                    self._known = (stamp, parse_edits(file.read()))
                return self._known[1]
        except FileNotFoundError:
            return EditsFile()
        except OSError as error:
            raise BadResults(
                f"{self.path} cannot be read: {error.strerror or error}.", "It must be a file, and no link."
            ) from None

    def append(self, make: Callable[[tuple[Edit, ...]], Sequence[Edit]]) -> tuple[Edit, ...]:
        """Add edits that ``make`` gives, told of all that are there; gives all.

        A line that was cut short earlier stays as it is, and the new ones begin on a line of their own.

        Raises
        ------
        UnwritableResults
            Disk full or no rights; the file is as it was.
        """
        try:
            new = not self.path.exists()
            number = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_APPEND | _NO_FOLLOW, 0o666)
            with open(number, "r+b", buffering=0) as file, locked(number):
                data = file.read()
                edits = parse_edits(data).edits
                added = tuple(make(edits))
                text = b"".join(e.line().encode("ascii") + b"\n" for e in added)
                if data and not data.endswith(b"\n"):
                    text = b"\n" + text
                try:
                    while text:
                        text = text[file.write(text) :]
                    os.fsync(number)
                except OSError:
                    # nobody was told of them yet; half a line must not stay
                    with contextlib.suppress(OSError):
                        os.ftruncate(number, len(data))
                    raise
            if new and os.name == "posix":
                place = os.open(self.path.parent, os.O_RDONLY)
                try:
                    os.fsync(place)
                finally:
                    os.close(place)
            return edits + added
        except OSError as error:
            raise UnwritableResults(
                f"The edit could not be written to {self.path}: {error.strerror or error}.",
                "Free some space, or check the rights of the folder.",
            ) from None
