"""Photos in, tables out: each failure a row with its reason and no reason to stop.

Three steps, of which the first and the last go photo by photo and know nothing of each other, so that
:class:`standcam.batch.pool.Spread` can spread them over processes:

1. read and measure a photo; keep its numbers, and a small copy of the picture or, where the theoretical spacing is
   known beforehand, the marked photo;
2. decide again by labels, if there are any, join photos of one row, and summarise all photos together (the theoretical
   spacing may have to be learnt from all of them);
3. draw the finds into the small copies, and into photos of which more is known now than at the first look.

With a :class:`standcam.batch.store.WorkStore` what the first step gave lies on disk, is read one photo at a time, and
need not be done again when a run was broken off.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import nullcontext, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pandas as pd

from standcam import flags, tables
from standcam.aside import ByPhoto, Lines
from standcam.batch.chained import Chained, chain_photos
from standcam.batch.crop_notes import crop_notes
from standcam.batch.drawing import first_view, marked_photos
from standcam.batch.inputs import Input, Problem
from standcam.batch.labelled import Labelled, use_labels
from standcam.batch.measured import Measured, named
from standcam.batch.pieces import pack, unpack
from standcam.batch.pool import Spread, give_freed_memory_back, keep_freed_memory
from standcam.batch.progress import UNSEEN, Progress
from standcam.batch.store import Keys, WorkStore, measuring_key, piece_key
from standcam.batch.width_notes import width_notes
from standcam.errors import StandcamError
from standcam.files import sha256_of
from standcam.images.photo import Photo, read_photo
from standcam.images.quality import quality_flags
from standcam.measure import Measurement, measure_photo
from standcam.plants.labels import Label
from standcam.report.results import ResultsWriter
from standcam.report.run_file import Records
from standcam.rows.line import distances_cm
from standcam.rows.record import geometry_of
from standcam.settings import Settings
from standcam.summarise import summarise_parts

_NO_DISTANCES = flags.bit("scale_flat", "board_tilted")
"""Rows of photos with these run together, or lie apart by chance."""


@dataclass(frozen=True)
class Counted:
    """What became of one input: a measurement or a problem."""

    input: Input
    measurement: Measurement | None = None
    problem: Problem | None = None
    view: bytes | None = None
    """What is kept of its pixels, see :func:`standcam.batch.drawing.first_view`."""
    record: dict[str, Any] | None = None
    """What run.json tells of it."""
    sha256: str = ""
    piece: bytes | None = None
    """The measurement and its record, packed, in place of the two."""


@dataclass(frozen=True)
class Batch:
    """Tables of a run, and what the run record needs."""

    lines: Mapping[str, Lines]
    """The five tables by their names, to be looked at part by part. All but problems lie on disk; nothing of them is in
    memory unless asked for."""
    problem_list: tuple[Problem, ...]
    measurements: Sequence[Measurement]
    """Of all photos that could be used; read from disk one by one where there is a store, as long as that is open."""
    inputs: Sequence[dict[str, Any]]
    """One record a used photo, for run.json; read from disk one by one where there is a store."""
    notes: tuple[str, ...] = ()
    labelled: Labelled | None = None
    """What became of the labels; None where none were given."""
    chained: Chained | None = None
    """Which photos were joined, and the files that tell of it."""
    reused: int = 0
    """Photos that an earlier run had counted already."""
    not_tried_again: int = 0
    """Photos that an earlier run could not use, and whose bytes are the same."""
    keys: Keys = field(default_factory=Keys)
    """Pieces of the store that belong to this run."""

    @property
    def plants(self) -> pd.DataFrame:
        """PLANTS, all in memory; so are the others."""
        return self.lines["plants"].whole()

    @property
    def gaps(self) -> pd.DataFrame:
        """GAPS"""
        return self.lines["gaps"].whole()

    @property
    def rows(self) -> pd.DataFrame:
        """ROWS"""
        return self.lines["rows"].whole()

    @property
    def plots(self) -> pd.DataFrame:
        """PLOTS"""
        return self.lines["plots"].whole()

    @property
    def problems(self) -> pd.DataFrame:
        """PROBLEMS"""
        return self.lines["problems"].whole()

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """The five tables in memory by their names."""
        return {name: lines.whole() for name, lines in self.lines.items()}


def count_photos(
    inputs: Sequence[Input],
    settings: Settings,
    problems: Sequence[Problem] = (),
    writer: ResultsWriter | None = None,
    labels: Sequence[Label] | None = None,
    *,
    store: WorkStore | None = None,
    workers: int = 1,
    scheduler: str | None = None,
    progress: Progress = UNSEEN,
) -> Batch:
    """Measure photos and summarise them together.

    Memory stays bounded with a store: pixels of one photo at a time in each process, and of all photos together their
    rows while these are summarised; all else lies on disk.

    Parameters
    ----------
    inputs : sequence of Input
        Photos to count.
    settings : Settings
        Settings of the run.
    problems : sequence of Problem
        Inputs that failed before; they lead the problems table.
    writer : ResultsWriter, optional
        Takes the marked photos; without it none are drawn.
    labels : sequence of Label, optional
        What a person says that some plants are (:func:`standcam.batch.labelled.use_labels`).
    store : WorkStore, optional
        Takes what each photo gave, and gives back what it holds already.
    workers : int
        Processes to use.
    scheduler : str, optional
        Address of a Dask scheduler whose workers are used instead; they must see the photos under the same paths.
    progress : Progress, optional
        Told of each stage, and of each photo in it; of a counted one what became of it, as :class:`Counted`.
    """
    drawer = writer if settings.output.marked else None
    with Spread(workers, scheduler) as spread:
        return _count(inputs, settings, list(problems), drawer, labels, store, spread, progress)


def _count(
    inputs: Sequence[Input],
    settings: Settings,
    problems: list[Problem],
    drawer: ResultsWriter | None,
    labels: Sequence[Label] | None,
    store: WorkStore | None,
    spread: Spread,
    progress: Progress,
) -> Batch:
    measured = Measured(store)
    records = _Told(store)
    reused = not_tried_again = 0
    failed: set[str] = set()
    step = _Measure(settings, drawer is not None, labels is not None, store is not None or spread.away)
    for counted, key, before in _counted(inputs, step, store, spread, progress):
        if counted.problem is not None:
            problems.append(counted.problem)
            not_tried_again += before
            failed |= {key} - {""}
        else:
            if store is None and drawer is not None and counted.view is not None:
                drawer.put_aside(f"view-{len(measured)}", counted.view)
            m, record = counted.measurement, counted.record
            if record is None or (m is None and store is None):
                whole = unpack(counted.piece or b"")
                m, record = named(whole["measurement"], counted.input), whole["record"]
            measured.add(counted.input, m if store is None and m is not None else key)
            records.add(record | _of_this_run(counted.input, store))
            reused += before
        progress(counted)

    measurements: Sequence[Measurement] = measured
    labelled = None if labels is None else use_labels(labels, measurements, settings)
    if labelled is not None:
        measurements = labelled.measurements
    days = records.days
    days.update((item.photo, item.visit) for item in inputs if item.visit)
    give_freed_memory_back()  # tables of all photos come and go from here on, where one photo's pixels did before
    folder = None if store is None else store.folder
    with nullcontext() if store is None else store.clear_errors():
        chained = chain_photos(measurements, settings.chain, days, folder)
        summary = summarise_parts(chained.parts, settings.spacing, settings.statistics, folder)
        by_photo = chained.by_photo(settings.spacing, settings.statistics, summary.nominal.spacing_cm, folder)
    chained = chained.summarised()

    notes = [*chained.chains.notes, *summary.notes, *crop_notes(summary, settings.spacing), *records.same_pictures]
    notes += width_notes(records.row_distances_cm, settings.spacing.row_width_cm)
    if not_tried_again:
        notes.append(_not_tried(not_tried_again))
    if drawer is not None:
        parts = [part for part in (by_photo, summary) if part is not None]
        gaps_of = ByPhoto(*(part.gaps for part in parts))
        rows_of = ByPhoto(*(part.rows_lines for part in parts))

        def view_of(k: int) -> bytes | None:
            key = measured.key(k)
            return drawer.aside(f"view-{k}") if store is None or key is None else store.view(key)

        if not spread.away:
            keep_freed_memory()
        progress.begin("Drawing", len(measured))
        names, final = records.photos, labelled is None
        pictures = marked_photos(names, measurements, view_of, gaps_of, rows_of, settings, final, spread)
        for k, (photo, jpeg) in enumerate(zip(names, pictures, strict=True)):
            if isinstance(jpeg, bytes):
                records.add_to(k, marked=drawer.add_marked(photo, jpeg))
            else:
                notes.append(f"{photo} was counted, but its marked photo could not be drawn: {jpeg}")
            progress(photo)
    give_freed_memory_back()
    return Batch(
        lines={
            "plants": chained.plants,
            "gaps": summary.gaps,
            "rows": summary.rows_lines,
            "plots": summary.plots,
            "problems": Lines.of(tables.PROBLEMS, problems_table(problems)),
        },
        problem_list=tuple(problems),
        measurements=measurements,
        inputs=records.all(),
        notes=tuple(notes),
        labelled=labelled,
        chained=chained,
        reused=reused,
        not_tried_again=not_tried_again,
        keys=measured.keys(failed) if store is not None else Keys(),
    )


def _counted(
    inputs: Sequence[Input],
    step: _Measure,
    store: WorkStore | None,
    spread: Spread,
    progress: Progress,
) -> Iterator[tuple[Counted, str, bool]]:
    """What became of each input, the key of its piece, and whether an earlier run had counted it."""
    if store is None:
        progress.begin("Counting", len(inputs))
        yield from ((counted, "", False) for counted in spread.map(step, inputs, _lost))
        return
    measuring = measuring_key(step.settings, step.looks)
    keys = [""] * len(inputs)
    if store.kept_before:
        progress.begin("Comparing", len(inputs))
        for k, sha256 in enumerate(spread.map(_hash_of, inputs, lambda _: "")):
            keys[k] = piece_key(measuring, sha256, inputs[k].path.name) if sha256 else ""
            progress(inputs[k])
    there = [bool(key) and store.get(key) is not None for key in keys]
    if not spread.away:
        keep_freed_memory()
    progress.begin("Counting", len(inputs))
    fresh = spread.map(step, (job for job, known in zip(inputs, there, strict=True) if not known), _lost)
    for job, key, known in zip(inputs, keys, there, strict=True):
        if known:
            piece = store.get(key)
            yield _failed_before(job, piece) or Counted(job, piece=piece), key, True
            continue
        counted = next(fresh)
        key = ""
        if counted.piece is not None:
            key = piece_key(measuring, counted.sha256, job.path.name)
            store.put(key, counted.piece, counted.view)
        yield counted, key, False


_MOST_FAILED = 4_000
"""A piece of a failed photo is shorter than this, and one of a measurement is not worth unpacking twice. [bytes]"""


def _failed_before(job: Input, piece: bytes | None) -> Counted | None:
    """The problem that a piece tells of; None where it holds a measurement."""
    if piece is None or len(piece) > _MOST_FAILED:
        return None
    whole = unpack(piece)
    if "problem" not in whole:
        return None
    return Counted(job, problem=Problem(str(job.path), **whole["problem"]))


def _failed(job: Input, error: StandcamError, before: tuple[int, ...]) -> Counted:
    """A photo that cannot be used, nor another time as long as its bytes, the settings and the program are these.

    What cannot be read at all has no bytes to remember it by, and is tried each time; so is a file that was still being
    written, whose bytes are others by now.
    """
    problem = Problem(str(job.path), error.reason, error.remedy)
    sha256 = _hash_of(job)
    sha256 = sha256 if before and before == _state(job) else ""
    piece = pack({"problem": {"reason": error.reason, "remedy": error.remedy}}) if sha256 else b""
    return Counted(job, problem=problem, sha256=sha256, piece=piece if 0 < len(piece) <= _MOST_FAILED else None)


def _state(job: Input) -> tuple[int, ...]:
    """Size, time and place of a file: where these stay, nobody has written to it meanwhile."""
    try:
        seen = os.stat(job.path)
    except (OSError, ValueError):
        return ()
    return seen.st_size, seen.st_mtime_ns, seen.st_ino


def _not_tried(n: int) -> str:
    return (
        f"{n} {'photo that' if n == 1 else 'photos that'} could not be used before {'was' if n == 1 else 'were'} not "
        "tried again, for nothing has changed about it: see problems.csv."
    )


def _hash_of(job: Input) -> str:
    """Hash of the bytes of a photo, or nothing where they cannot be read, which is told when it is counted."""
    try:
        return sha256_of(job.path)
    except OSError:
        return ""


def _lost(job: Input) -> Counted:
    """A photo whose process was killed twice."""
    return Counted(
        job,
        problem=Problem(
            str(job.path),
            f"{job.photo} ended the process that read it: most likely it needs more memory than there is.",
            "Close other programs, or make the picture smaller.",
        ),
    )


def problems_table(problems: Sequence[Problem]) -> pd.DataFrame:
    """PROBLEMS table, each problem once."""
    unique = list(dict.fromkeys(problems))
    return tables.conform(tables.PROBLEMS, pd.DataFrame([vars(p) for p in unique], columns=tables.PROBLEMS.names))


@dataclass(frozen=True)
class _Measure:
    """First step as a picklable function."""

    settings: Settings
    keep_view: bool
    looks: bool = False
    packed: bool = False

    def __call__(self, job: Input) -> Counted:
        state = _state(job)
        try:
            start = time.perf_counter()
            photo = read_photo(job.path, self.settings.photo)
            read_seconds = time.perf_counter() - start
            small = photo.reduced(self.settings.output.marked_width_px)
            photo = photo.flagged(quality_flags(small))
            m = measure_photo(photo, self.settings, plot=job.plot, looks=self.looks)
            m = named(m, job)
            m = replace(m, seconds={"read": read_seconds} | dict(m.seconds))
            view = first_view(small, m, self.settings, not self.looks) if self.keep_view else None
            record = _record(m, photo)
            if not self.packed:
                return Counted(job, m, view=view, record=record, sha256=photo.sha256)
            piece = pack({"measurement": m, "record": record})
            return Counted(job, view=view, record=record, sha256=photo.sha256, piece=piece)
        except StandcamError as error:
            return _failed(job, error, state)
        except MemoryError:
            return Counted(
                job,
                problem=Problem(
                    str(job.path),
                    f"{job.photo} needs more memory than there is.",
                    "Close other programs, or make the picture smaller.",
                ),
            )
        except Exception as error:  # a fault of ours in one photo must not cost the other photos
            first = (str(error).strip().splitlines() or [""])[0]
            return Counted(
                job,
                problem=Problem(
                    str(job.path),
                    f"{job.photo} met a fault in standcam: {type(error).__name__}: {first}".rstrip(": ") + ".",
                    "Please report it with the photo; the other photos are not affected.",
                ),
            )


class _Told:
    """Records of the photos, and what is asked of all of them."""

    def __init__(self, store: WorkStore | None) -> None:
        self._store = store
        self._records: Records | list[dict[str, Any]] = [] if store is None else store.records()
        self.photos: list[str] = []
        self.days: dict[str, str] = {}
        """Photo to the day it was taken, as far as it tells."""
        self.same_pictures: list[str] = []
        """Notes: a photo that was copied counts twice; the user should know."""
        self.row_distances_cm: list[float] = []
        """From row to row, of all photos."""
        self._first: dict[bytes, str] = {}

    def add(self, record: dict[str, Any]) -> None:
        photo, sha256 = record["photo"], record["sha256"]
        told = bytes.fromhex(sha256)[:16]
        if told in self._first:
            first = self._first[told]
            self.same_pictures.append(f"{photo} is the same picture as {first}: its plants are counted twice.")
        self._first.setdefault(told, photo)
        self.days[photo] = sys.intern(str(record["taken"] or "")[:10])
        self.photos.append(photo)
        self.row_distances_cm += record["row_distances_cm"]
        with nullcontext() if self._store is None else self._store.clear_errors():
            self._records.append(record)

    def add_to(self, k: int, **more: Any) -> None:
        if isinstance(self._records, Records):
            with nullcontext() if self._store is None else self._store.clear_errors():
                self._records.add_to(k, **more)
        else:
            self._records[k].update(more)

    def all(self) -> Sequence[dict[str, Any]]:
        return self._records if isinstance(self._records, Records) else tuple(self._records)


def _of_this_run(job: Input, store: WorkStore | None) -> dict[str, Any]:
    """What run.json tells of a photo besides what its bytes tell.

    The path is whole, for commands that come later are called from other folders; the one from the results on holds
    where photos and results have been moved together.
    """
    told: dict[str, Any] = {"photo": job.photo, "path": os.path.abspath(job.path)}
    if store is not None:
        with suppress(ValueError):  # another drive
            told["path_from_results"] = Path(os.path.relpath(told["path"], store.out)).as_posix()
    if job.place is not None:
        told["latitude"], told["longitude"] = job.place
    return told


def _record(m: Measurement, photo: Photo) -> dict[str, Any]:
    latitude, longitude = photo.place or (None, None)
    return {
        "photo": m.photo,
        "path": str(m.path),
        "sha256": m.sha256,
        "width_px": m.width_px,
        "height_px": m.height_px,
        "camera": photo.camera,
        "taken": photo.taken,
        "latitude": latitude,
        "longitude": longitude,
        "scale_method": m.ground.method,
        "scale_residual_mm": m.ground.residual_mm,
        "scale_error_pct_per_m": m.ground.scale_error_pct_per_m,
        "camera_height_cm": m.ground.camera_cm[2] if m.ground.camera_cm else None,
        "geometry": geometry_of(m.ground, m.rows),
        "row_distances_cm": distances_cm(m.rows) if m.ground.has_scale and not m.flags & _NO_DISTANCES else [],
        "notes": list(dict.fromkeys([*m.ground.notes, *m.notes])),
        "seconds": {name: round(s, 4) for name, s in m.seconds.items()},
    }
