"""Photos in, tables out: one after the other, each failure a row with its reason and no reason to stop.

Three steps, of which the first and the last go photo by photo and know nothing of each other, so that
:func:`map_jobs` may one day spread them over processes:

1. read and measure a photo; keep its numbers and a small copy of the picture;
2. decide again by labels, if there are any, and summarise all photos together (the theoretical spacing may have to be
   learnt from all of them);
3. draw the finds into the small copies.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import pandas as pd

from standcam import tables
from standcam.batch.chained import Chained, chain_photos
from standcam.batch.crop_notes import crop_notes
from standcam.batch.inputs import Input, Problem
from standcam.batch.labelled import Labelled, use_labels
from standcam.errors import StandcamError
from standcam.images.photo import read_photo
from standcam.images.quality import quality_flags
from standcam.images.reduce import reduce
from standcam.measure import Measurement, measure_photo
from standcam.plants.labels import Label
from standcam.report import overlay
from standcam.report.results import ResultsWriter
from standcam.settings import Settings
from standcam.summarise import summarise

Job = TypeVar("Job")
Result = TypeVar("Result")


@dataclass(frozen=True)
class Counted:
    """What became of one input: a measurement or a problem."""

    input: Input
    measurement: Measurement | None = None
    problem: Problem | None = None
    view: bytes | None = None
    """Small copy of the photo, to draw in; JPEG."""
    facts: dict[str, Any] | None = None
    """EXIF facts worth keeping in the run record."""


@dataclass(frozen=True)
class Batch:
    """Tables of a run, and what the run record needs."""

    plants: pd.DataFrame
    gaps: pd.DataFrame
    rows: pd.DataFrame
    plots: pd.DataFrame
    problems: pd.DataFrame
    problem_list: tuple[Problem, ...]
    measurements: tuple[Measurement, ...]
    inputs: tuple[dict[str, Any], ...]
    """One record a used photo, for run.json."""
    notes: tuple[str, ...] = ()
    labelled: Labelled | None = None
    """What became of the labels; None where none were given."""
    chained: Chained | None = None
    """Which photos were joined, and the files that tell of it."""

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """The five tables by the names that results take."""
        return {name: getattr(self, name) for name in ("plants", "gaps", "rows", "plots", "problems")}


def map_jobs(function: Callable[[Job], Result], jobs: Iterable[Job]) -> Iterator[Result]:
    """Results in the order of the jobs."""
    yield from map(function, jobs)


def count_photos(
    inputs: Sequence[Input],
    settings: Settings,
    problems: Sequence[Problem] = (),
    writer: ResultsWriter | None = None,
    on_done: Callable[[Counted], None] | None = None,
    labels: Sequence[Label] | None = None,
) -> Batch:
    """Measure photos and summarise them together.

    Memory stays bounded: pixels of one photo at a time, small pictures on disk.

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
    on_done : callable, optional
        Told of each input as it is done.
    labels : sequence of Label, optional
        What a person says that some plants are (:func:`standcam.batch.labelled.use_labels`).
    """
    drawer = writer if settings.output.marked else None
    measurements: list[Measurement] = []
    facts: list[dict[str, Any]] = []
    problems = list(problems)
    for n, counted in enumerate(map_jobs(_Measure(settings, drawer is not None, labels is not None), inputs)):
        if counted.measurement is not None:
            if drawer is not None and counted.view is not None:
                drawer.put_aside(f"view-{n}", counted.view)
            measurements.append(counted.measurement)
            facts.append({"view": f"view-{n}"} | (counted.facts or {}))
        elif counted.problem is not None:
            problems.append(counted.problem)
        if on_done:
            on_done(counted)

    labelled = None if labels is None else use_labels(labels, measurements, settings)
    if labelled is not None:
        measurements = list(labelled.measurements)
    days = {m.photo: str(f.get("taken") or "")[:10] for m, f in zip(measurements, facts, strict=True)}
    chained = chain_photos(measurements, settings.chain, days)
    summary = summarise(chained.positions, chained.stretches, settings.spacing, settings.statistics)
    by_photo = chained.by_photo(settings.spacing, settings.statistics, summary)

    notes = [*chained.chains.notes, *summary.notes, *crop_notes(summary, settings.spacing), *_same_pictures(measurements)]
    records = [_record(m, f) for m, f in zip(measurements, facts, strict=True)]
    if drawer is not None:
        parts = [summary] if by_photo is None else [summary, by_photo]
        gaps_of = {k: v for part in parts for k, v in part.gaps.groupby("photo", sort=False)}
        rows_of = {k: v for part in parts for k, v in part.rows.groupby("photo", sort=False)}
        jobs = (
            (
                drawer.take_back(f["view"]),
                m,
                gaps_of.get(m.photo, tables.empty(tables.GAPS)),
                rows_of.get(m.photo, tables.empty(tables.ROWS)),
            )
            for m, f in zip(measurements, facts, strict=True)
        )
        for record, jpeg in zip(records, map_jobs(_Draw(settings), jobs), strict=True):
            if isinstance(jpeg, bytes):
                record["marked"] = drawer.add_marked(record["photo"], jpeg)
            else:
                notes.append(
                    f"{record['photo']} was counted, but its marked photo could not be drawn: {jpeg}"
                )
    return Batch(
        plants=chained.plants,
        gaps=summary.gaps,
        rows=summary.rows,
        plots=summary.plots,
        problems=problems_table(problems),
        problem_list=tuple(problems),
        measurements=tuple(measurements),
        inputs=tuple(records),
        notes=tuple(notes),
        labelled=labelled,
        chained=chained,
    )


def problems_table(problems: Sequence[Problem]) -> pd.DataFrame:
    """PROBLEMS table, each problem once."""
    unique = list(dict.fromkeys(problems))
    return tables.conform(
        tables.PROBLEMS, pd.DataFrame([vars(p) for p in unique], columns=tables.PROBLEMS.names)
    )


@dataclass(frozen=True)
class _Measure:
    """First step as a picklable function."""

    settings: Settings
    keep_view: bool
    looks: bool = False

    def __call__(self, job: Input) -> Counted:
        try:
            start = time.perf_counter()
            photo = read_photo(job.path, self.settings.photo)
            read_seconds = time.perf_counter() - start
            small = reduce(photo.rgb, self.settings.output.marked_width_px)
            photo = replace(photo, flags=photo.flags | quality_flags(small))
            m = measure_photo(photo, self.settings, plot=job.plot, looks=self.looks)
            m = _named(m, job.photo)
            m = replace(m, seconds={"read": read_seconds} | dict(m.seconds))
            view = overlay.pack_view(small) if self.keep_view else None
            return Counted(job, m, view=view, facts={"camera": photo.camera, "taken": photo.taken})
        except StandcamError as error:
            return Counted(job, problem=Problem(str(job.path), error.reason, error.remedy))
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
                    f"{job.photo} met a fault in standcam: {type(error).__name__}: {first}".rstrip(": ")
                    + ".",
                    "Please report it with the photo; the other photos are not affected.",
                ),
            )


@dataclass(frozen=True)
class _Draw:
    """Last step as a picklable function: JPEG bytes, or in words why not."""

    settings: Settings

    def __call__(self, job: tuple[bytes, Measurement, pd.DataFrame, pd.DataFrame]) -> bytes | str:
        try:
            return overlay.mark_view(*job, self.settings.output)
        except Exception as error:  # numbers are worth more than their picture
            return f"{type(error).__name__}: {error}"


def _named(m: Measurement, photo: str) -> Measurement:
    """The measurement under the name that the photo has in this run."""
    if m.photo == photo:
        return m
    renamed = {name: getattr(m, name).assign(photo=photo) for name in ("plants", "positions", "stretches")}
    if m.marks is not None:
        renamed["marks"] = m.marks.assign(photo=photo)
    return replace(m, photo=photo, **renamed)


def _same_pictures(measurements: Sequence[Measurement]) -> list[str]:
    """A photo that was copied counts twice; the user should know."""
    first: dict[str, str] = {}
    notes = []
    for m in measurements:
        if m.sha256 in first:
            notes.append(f"{m.photo} is the same picture as {first[m.sha256]}: its plants are counted twice.")
        first.setdefault(m.sha256, m.photo)
    return notes


def _record(m: Measurement, facts: dict[str, Any]) -> dict[str, Any]:
    return {
        "photo": m.photo,
        "path": str(m.path),
        "sha256": m.sha256,
        "width_px": m.width_px,
        "height_px": m.height_px,
        "camera": facts.get("camera", ""),
        "taken": facts.get("taken", ""),
        "scale_method": m.ground.method,
        "scale_residual_mm": m.ground.residual_mm,
        "scale_error_pct_per_m": m.ground.scale_error_pct_per_m,
        "camera_height_cm": m.ground.camera_cm[2] if m.ground.camera_cm else None,
        "geometry": m.geometry(),
        "notes": list(dict.fromkeys([*m.ground.notes, *m.notes])),
        "seconds": {name: round(s, 4) for name, s in m.seconds.items()},
    }
