"""Which photos a call means: folders walked, doubles dropped, names made unlike."""

from __future__ import annotations

import os
import re
import stat
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from standcam.images.suffixes import SUFFIXES

OTHER_PICTURES = (
    *(".dng", ".cr2", ".cr3", ".nef", ".arw", ".raf", ".orf", ".rw2", ".pef", ".srw"),
    *(".webp", ".gif", ".bmp", ".avif", ".jxl", ".jp2"),
)
"""Pictures that standcam does not read: worth a word when they lie in a folder, perhaps as the only copy."""


@dataclass(frozen=True, slots=True)
class Input:
    """One photo to count."""

    file: str
    """Its path as text: ten thousand ``Path`` would keep their parts in memory, and Python's table of names large."""
    photo: str
    """Its name in the tables: the file name, with as many folders before it as tell it from others."""
    plot: str
    visit: str = ""
    """Day or name of the visit, where a survey tells it."""
    place: tuple[float, float] | None = None
    """Latitude and longitude, where a survey tells them otherwise than the photo does. [degrees]"""

    @property
    def path(self) -> Path:
        """Where it lies."""
        return Path(self.file)


@dataclass(frozen=True)
class Problem:
    """An input that could not be used: one row of problems.csv."""

    path: str
    reason: str
    remedy: str


def find_inputs(paths: Sequence[str | Path], out: str | Path | None = None) -> tuple[list[Input], list[Problem]]:
    """Photos that the given files and folders mean, in natural order, each once.

    Files given by name are taken whatever their ending; whether they are pictures shows when they are opened.
    Folders are walked with all folders in them. Hidden files, results folders and links that lead back up are
    left out. Never raises for a bad path: it becomes a problem.

    Parameters
    ----------
    paths : sequence of path
        Files and folders. A pattern with ``*`` or ``?`` that no shell has resolved is resolved here.
    out : path, optional
        Results folder, left out of the walk.
    """
    found: list[str] = []
    problems: list[Problem] = []
    for path in _resolve_patterns(paths):
        try:
            if path.is_dir():
                pictures = list(_walk(path, Path(out) if out is not None else None, problems))
                if not pictures:
                    problems.append(
                        Problem(
                            str(path),
                            f"Folder {path} holds no photo.",
                            f"Photos end in {', '.join(SUFFIXES)}.",
                        )
                    )
                found += pictures
            elif path.exists():
                if _is_pipe(path):
                    problems.append(_pipe(path))
                else:
                    found.append(str(path))
            else:
                problems.append(Problem(str(path), f"{path} does not exist.", "Check the path."))
        except OSError as error:
            problems.append(_unreadable(path, error))
    once: dict[str, str] = {}
    for file in found:
        once.setdefault(os.path.realpath(file), file)
    return name_inputs(list(once.values())), problems


def name_inputs(paths: Sequence[str | Path]) -> list[Input]:
    """Give each path a photo name and a plot name that no other has.

    >>> [i.photo for i in name_inputs(["a/1.jpg", "b/1.jpg", "b/2.jpg"])]
    ['a/1.jpg', 'b/1.jpg', '2.jpg']
    """
    absolute = [os.path.abspath(path) for path in paths]
    depth = [1] * len(paths)
    while True:
        names = ["/".join(Path(p).parts[-d:]) for p, d in zip(absolute, depth, strict=True)]
        often = Counter(names)
        deeper = [
            d + (often[name] > 1 and d < len(Path(p).parts)) for p, d, name in zip(absolute, depth, names, strict=True)
        ]
        if deeper == depth:
            break
        depth = deeper
    stems = [name.removesuffix(Path(path).suffix) or name for name, path in zip(names, paths, strict=True)]
    often = Counter(stems)
    return [
        Input(str(path), name, stem if often[stem] == 1 else name)
        for path, name, stem in zip(paths, names, stems, strict=True)
    ]


def natural_key(text: str) -> list[tuple[int, int, str]]:
    """Sort key that puts ``IMG_9`` before ``IMG_10``."""
    return [
        (0, int(part), "") if part.isdecimal() else (1, 0, part) for part in re.split(r"(\d+)", text.casefold()) if part
    ]


def is_results(folder: Path) -> bool:
    """Whether standcam wrote this folder."""
    return os.path.isfile(folder / "run.json") and os.path.isfile(folder / "rows.csv")


def _resolve_patterns(paths: Iterable[str | Path]) -> Iterator[Path]:
    for given in paths:
        path = Path(given)
        matches: list[Path] = []
        if re.search(r"[*?]", str(path)) and not os.path.lexists(path):
            base = Path(path.anchor) if path.is_absolute() else Path()
            pattern = str(path.relative_to(path.anchor)) if path.is_absolute() else str(path)
            matches = sorted(base.glob(pattern), key=lambda p: natural_key(str(p)))
        yield from matches or [path]


def _walk(root: Path, out: Path | None, problems: list[Problem]) -> Iterator[str]:
    # a link to a folder that holds the walked one would lead round through the whole disk
    seen = {str(above) for above in Path(os.path.realpath(root)).parents}
    skip = {os.path.realpath(out)} - {os.path.realpath(root)} if out is not None else set()
    waiting = [root]
    while waiting:
        folder = waiting.pop()
        real = os.path.realpath(folder)
        if real in seen or real in skip or (folder != root and is_results(folder)):
            continue
        seen.add(real)
        try:
            entries = sorted(os.scandir(folder), key=lambda e: natural_key(e.name))
        except OSError as error:
            problems.append(_unreadable(folder, error))
            continue
        entries = [entry for entry in entries if not entry.name.startswith(".")]
        pictures = [e.name for e in entries if e.name.lower().endswith(SUFFIXES) and not _is_folder(e)]
        for name in pictures:
            if _is_pipe(folder / name):
                problems.append(_pipe(folder / name))
            else:
                yield str(folder / name)
        stems = {name.rsplit(".", 1)[0].casefold() for name in pictures}
        for entry in entries:
            stem, _, ending = entry.name.rpartition(".")
            # a raw file beside its JPEG is the usual pair of a camera and nothing is lost by leaving it
            if f".{ending.lower()}" in OTHER_PICTURES and stem.casefold() not in stems and not _is_folder(entry):
                problems.append(
                    Problem(
                        str(folder / entry.name),
                        f"{entry.name} is a kind of picture standcam does not read.",
                        "Save it as JPEG, PNG, TIFF or HEIC.",
                    )
                )
        own_marked = is_results(folder)
        waiting += [
            folder / e.name for e in reversed(entries) if _is_folder(e) and not (own_marked and e.name == "marked")
        ]


def _is_folder(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_dir()
    except OSError:  # a link into a place without rights
        return False


def _is_pipe(path: Path) -> bool:
    """Whether it is a pipe or device: whoever opens one may wait for ever, and whoever reads one never ends."""
    try:
        mode = os.stat(path).st_mode
    except (OSError, ValueError):  # a broken link, which is told of when it is read
        return False
    return not (stat.S_ISREG(mode) or stat.S_ISDIR(mode))


def _pipe(path: Path) -> Problem:
    return Problem(str(path), f"{path.name} is a pipe or device and no photo.", "Name files and folders.")


def _unreadable(path: Path, error: OSError) -> Problem:
    return Problem(str(path), f"{path} cannot be read: {error.strerror}.", "Check the rights.")
