"""Raw frames of one flight in, tables out: placed on one ground, looked at on all cores, put together at the end."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import pandas as pd

from standcam import tables
from standcam.batch.looked import looked
from standcam.batch.pool import map_jobs
from standcam.batch.progress import UNSEEN, Progress
from standcam.batch.store import WorkStore, looking_key
from standcam.batch.strip_count import StripCount, counted
from standcam.errors import LostTile, NoScale, StandcamError
from standcam.files import sha256_of
from standcam.frames.look import Look, look
from standcam.frames.place import place_frames
from standcam.frames.record import Frames
from standcam.images.suffixes import SUFFIXES
from standcam.measure_frames import LookAtFrame, measure_frames
from standcam.settings import Settings
from standcam.strips.plots import Plots

_STAGES = ("photo", "calibration", "flight", "raster", "strip_stems")
"""Settings that what a frame gives depends on."""


def find_frames(folder: Path) -> list[Path]:
    """Pictures of a folder by their names, which is the order of time on most cameras; or the one frame named."""
    if not folder.is_dir():
        return [folder]
    return sorted(p for p in folder.iterdir() if p.suffix.lower() in SUFFIXES and p.is_file())


@dataclass(frozen=True)
class Placed:
    """Frames of a flight on one ground, before anything is counted."""

    name: str
    frames: Frames
    problems: pd.DataFrame
    """PROBLEMS: frames that could not be used."""
    hashes: tuple[str, ...]
    """Of the bytes of each frame."""


def place_flight(
    folder: Path,
    settings: Settings,
    *,
    workers: int = 1,
    scheduler: str | None = None,
    progress: Progress = UNSEEN,
) -> Placed:
    """Lay the frames of a folder on one ground.

    Raises
    ------
    NoScale
        Of no frame are height and focal length known, or none could be placed.
    """
    paths = find_frames(folder)
    progress.begin("Placing", len(paths))
    looks: list[Look] = []
    lines = []
    for path, found in zip(paths, map_jobs(_Look(settings), paths, workers, scheduler, _lost), strict=True):
        if isinstance(found, Look):
            looks.append(found)
        else:
            lines.append((str(path), *found))
        progress(path)
    if not looks:
        told = lines[0][1:] if lines else (f"{folder} holds no picture.", "Name the folder of one flight's frames.")
        raise NoScale(*told)
    frames = place_frames(looks, settings, run=partial(map_jobs, workers=workers, scheduler=scheduler))
    lines += [(str(p.path), p.reason, p.remedy) for p in frames.problems]
    if not frames.frames:
        raise NoScale(f"No frame of {folder} could be placed: {lines[0][1]}", lines[0][2])
    problems = tables.conform(tables.PROBLEMS, pd.DataFrame(lines, columns=tables.PROBLEMS.names))
    return Placed(folder.resolve().name, frames, problems, tuple(sha256_of(f.path) for f in frames.frames))


def count_frames(
    placed: Placed,
    settings: Settings,
    plots: Plots | None = None,
    *,
    store: WorkStore | None = None,
    workers: int = 1,
    scheduler: str | None = None,
    progress: Progress = UNSEEN,
) -> StripCount:
    """Find rows and plants of a flight and summarise them by plots; as :func:`standcam.batch.strip_run.count_strip`."""
    frames = placed.frames
    jobs = list(range(len(frames.frames)))
    keys = _keys(placed, settings)
    look_at = LookAtFrame(frames, settings)
    seen, reused = looked(look_at, jobs, keys, store, workers, scheduler, _lost_frame, progress)
    measurement = measure_frames(frames, placed.name, seen, settings)
    records = tuple(
        {
            "photo": frame.path.name,
            "path": str(frame.path.resolve()),
            "sha256": sha256,
            "width_px": frame.ground.width_px,
            "height_px": frame.ground.height_px,
            "scale_method": frame.ground.method,
            "camera_height_cm": round(frame.height_cm, 1),
            "laid_on": frame.laid_on,
            "notes": list(frame.ground.notes),
        }
        for frame, sha256 in zip(frames.frames, placed.hashes, strict=True)
    )
    count = counted(measurement, settings, plots)
    return replace(
        count,
        pieces=len(jobs),
        reused=reused,
        keys=frozenset(keys),
        inputs=records,
        problems=pd.concat([placed.problems, count.problems], ignore_index=True),
    )


@dataclass(frozen=True)
class _Look:
    """Looking at a frame to place it, as a picklable function that does not raise."""

    settings: Settings

    def __call__(self, path: Path) -> Look | tuple[str, str]:
        try:
            return look(path, self.settings)
        except StandcamError as error:
            return error.reason, error.remedy


def _lost(path: Path) -> tuple[str, str]:
    return f"{path.name} ended the process that read it.", "Close other programs: it needs more memory than there is."


def _lost_frame(k: int) -> None:
    raise LostTile(
        f"The process that looked at frame {k + 1} was ended twice: most likely it needs more memory than there is.",
        "Close other programs, or use fewer --workers. Frames done so far are kept.",
    )


def _keys(placed: Placed, settings: Settings) -> list[str]:
    """Names of the frames' pieces. Where one lies decides what is its own, so all of the flight belongs to each."""
    chosen = settings.to_dict()
    flight = [
        [sha256, f.ground.ground_from_px.tolist(), f.ground.camera_cm]
        for f, sha256 in zip(placed.frames.frames, placed.hashes, strict=True)
    ]
    named = [settings.strip_stems.network, settings.calibration.lens]
    whole = looking_key({name: chosen[name] for name in _STAGES}, named, flight=flight)
    return [hashlib.sha256(f"{whole}:{sha256}".encode()).hexdigest()[:40] for sha256 in placed.hashes]
