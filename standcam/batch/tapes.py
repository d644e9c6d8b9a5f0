"""Tape files in, tables out: the counterpart of the photo run, a failed file being a row with its reason."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from standcam import tables
from standcam.batch.inputs import Problem, name_inputs
from standcam.errors import StandcamError
from standcam.settings import Settings
from standcam.spacing.tape import plants_from_tape, read_tape
from standcam.summarise import summarise


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
    positions, stretches, records = [], [], []
    for job in name_inputs(list(once.values())):
        try:
            if job.path.is_dir():
                problems.append(
                    Problem(str(job.path), f"{job.path} is a folder.", "Name the tape files in it, *.csv.")
                )
                continue
            place, stretch = read_tape(job.path, unit, job.photo)
            digest = hashlib.sha256(job.path.read_bytes()).hexdigest()
        except StandcamError as error:
            problems.append(Problem(str(job.path), error.reason, error.remedy))
            continue
        except OSError as error:
            problems.append(
                Problem(str(job.path), f"{job.path} cannot be read: {error}.", "Check the rights.")
            )
            continue
        positions.append(place)
        stretches.append(stretch)
        records.append({"photo": job.photo, "path": str(job.path), "sha256": digest, "rows": len(stretch)})
    every_position = _stack(tables.POSITIONS, positions)
    summary = summarise(every_position, _stack(tables.STRETCHES, stretches), settings.spacing)
    return TapeBatch(
        plants=plants_from_tape(every_position),
        gaps=summary.gaps,
        rows=summary.rows,
        plots=summary.plots,
        problems=tuple(problems),
        inputs=tuple(records),
    )


def _stack(table: tables.Table, frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    full = [frame for frame in frames if len(frame)]
    return tables.conform(table, pd.concat(full, ignore_index=True)) if full else tables.empty(table)
