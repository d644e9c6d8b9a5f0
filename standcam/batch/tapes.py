"""Tape files in, tables out: the counterpart of the photo run, a failed file being a row with its reason."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from standcam import tables
from standcam.batch.crop_notes import crop_notes
from standcam.batch.inputs import Problem, name_inputs
from standcam.errors import StandcamError
from standcam.files import sha256_of
from standcam.settings import Settings
from standcam.spacing.nominal import Nominal
from standcam.spacing.tape import plants_from_tape, read_tape_file
from standcam.summarise import summarise
from standcam.units import CM_PER_INCH

_LIKE_INCHES = 0.15  # nearness of a ratio to 2.54 that looks like another unit
_FEWEST_GAPS = 5


@dataclass(frozen=True)
class TapeBatch:
    """Tables of a tape run, and what the run record needs."""

    plants: pd.DataFrame
    gaps: pd.DataFrame
    rows: pd.DataFrame
    plots: pd.DataFrame
    problems: tuple[Problem, ...]
    inputs: tuple[dict[str, Any], ...]
    """One record a used file, for run.json."""
    notes: tuple[str, ...] = ()
    """What was read and should be looked at."""

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """The five tables by the names that results take."""
        problems = pd.DataFrame([vars(p) for p in self.problems], columns=tables.PROBLEMS.names)
        named = {name: getattr(self, name) for name in ("plants", "gaps", "rows", "plots")}
        return named | {"problems": tables.conform(tables.PROBLEMS, problems)}


def count_tapes(paths: Sequence[str | Path], settings: Settings, unit: str | None = None) -> TapeBatch:
    """Read tape files and summarise them together.

    Parameters
    ----------
    paths : sequence of path
        CSV files. One given twice is read once.
    settings : Settings
        Row width, seeding rate, theoretical spacing.
    unit : str, optional
        Unit of bare numbers in files that name none.
    """
    once: dict[str, Path] = {}
    for path in paths:
        once.setdefault(os.path.realpath(path), Path(path))
    problems: list[Problem] = []
    notes: list[str] = []
    seen: dict[str, str] = {}
    positions, stretches, records = [], [], []
    for job in name_inputs(list(once.values())):
        try:
            if job.path.is_dir():
                problems.append(Problem(str(job.path), f"{job.path} is a folder.", "Name the tape files in it, *.csv."))
                continue
            file = read_tape_file(job.path, unit, job.photo)
            digest = sha256_of(job.path)
        except StandcamError as error:
            problems.append(Problem(str(job.path), error.reason, error.remedy))
            continue
        except OSError as error:
            problems.append(Problem(str(job.path), f"{job.path} cannot be read: {error}.", "Check the rights."))
            continue
        positions.append(file.positions)
        stretches.append(file.stretches)
        notes += file.notes
        if digest in seen:
            notes.append(f"{job.photo} and {seen[digest]} are the same readings, and count twice.")
        seen[digest] = job.photo
        told = {"photo": job.photo, "path": os.path.abspath(job.path)}
        records.append(told | {"sha256": digest, "rows": len(file.stretches)})
    every_position = _stack(tables.POSITIONS, positions)
    every_stretch = _stack(tables.STRETCHES, stretches)
    summary = summarise(every_position, every_stretch, settings.spacing, settings.statistics)
    rows = summary.rows  # in the order of the stretches
    for name in every_stretch:
        if name not in tables.STRETCHES.names and name not in rows:
            rows = rows.assign(**{name: every_stretch[name].to_numpy(object)})
    notes += [*_unit_doubts(rows, summary.nominal), *summary.notes, *crop_notes(summary, settings.spacing)]
    return TapeBatch(
        plants=plants_from_tape(every_position),
        gaps=summary.gaps,
        rows=rows,
        plots=summary.plots,
        problems=tuple(problems),
        inputs=tuple(records),
        notes=tuple(notes),
    )


def _unit_doubts(rows: pd.DataFrame, nominal: Nominal) -> list[str]:
    """Files whose gaps are to the theoretical spacing as inches are to centimetres."""
    notes: list[str] = []
    if nominal.source not in ("given", "seeding_rate"):
        return notes
    known = rows[rows["plants"] > _FEWEST_GAPS]
    for photo, ratio in (known.groupby("photo", sort=False)["mean_gap_cm"].median() / nominal.spacing_cm).items():
        for factor, told in ((CM_PER_INCH, "inches called cm"), (1 / CM_PER_INCH, "cm called inches")):
            if abs(ratio * factor - 1) < _LIKE_INCHES:
                notes.append(
                    f"{photo}: gaps are {ratio:.2f} times the theoretical spacing; are its readings {told}, or is the "
                    "theoretical spacing in the wrong unit?"
                )
    return notes


def _stack(table: tables.Table, frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    full = [frame for frame in frames if len(frame)]
    if not full:
        return tables.empty(table)
    stacked = pd.concat(full, ignore_index=True)
    further = [name for name in stacked if name not in table.names]
    stacked[further] = stacked[further].fillna("")  # a column that only some of the files have
    return tables.conform(table, stacked)
