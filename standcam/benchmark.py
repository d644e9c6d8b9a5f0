"""What a count costs in time, and how right it is on photos whose truth is known."""

from __future__ import annotations

import dataclasses
import hashlib
import os
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from standcam.errors import UnreadablePhoto
from standcam.settings import Settings
from standcam.synthetic.recipe import SceneRecipe

SPEED_SEED = 1204
SPEED_RECIPE = (
    SceneRecipe(name="twelve_megapixels")
    .replace("camera", width_px=4000, height_px=3000, height_mm=1400.0, tilt_deg=8.0, k1=0.01)
    .replace("ground", furrow_depth_mm=4.0)
    .replace("capture", jpeg_quality=93)
)
"""A phone photo of the usual size: 4000 x 3000, 4:2:0, quality 93, about 4 MB."""
ENDS = ["from_x_px", "from_y_px", "to_x_px", "to_y_px"]


def speed_photo() -> Path:
    """The photo that speed is measured on; made once (some ten seconds) and kept with the temporary files."""
    text = repr((SPEED_SEED, SPEED_RECIPE))
    name = f"standcam-bench-{hashlib.sha256(text.encode()).hexdigest()[:16]}.jpg"
    path = Path(tempfile.gettempdir()) / name
    if not path.is_file():
        from standcam.synthetic import noise
        from standcam.synthetic.scene import make_scene

        scene = make_scene(SPEED_RECIPE, SPEED_RECIPE.rng(SPEED_SEED))
        with tempfile.TemporaryDirectory(prefix="standcam-", dir=path.parent) as folder:
            made = Path(folder) / name
            noise.write_jpeg(made, scene.rgb, SPEED_RECIPE.capture, SPEED_RECIPE.camera)
            os.replace(made, path)
    return path


@dataclasses.dataclass(frozen=True)
class Speed:
    """Medians of one run."""

    steps: pd.DataFrame
    """One row a step: ``step``, ``median_ms``, ``fastest_ms``, ``times_decoding`` (median over the median of
    decoding)."""
    stages: pd.DataFrame
    """One row a stage of measuring: ``stage``, ``median_ms``."""
    rounds: pd.DataFrame
    """All times, one row a round. [ms]"""
    megapixels: float
    threads: int
    """Threads that OpenCV uses."""


def speed(photo: str | Path, repeats: int = 7, settings: Settings | None = None) -> Speed:
    """Time a photo's road against the decoding of that photo.

    Every round takes all steps one after the other, so that a busy machine slows all of them alike. A first
    round is not timed: it loads libraries, networks and the file.

    Raises
    ------
    UnreadablePhoto
        The photo cannot be read, or OpenCV cannot decode it, so that there is nothing to compare with.
    """
    import cv2

    from standcam.batch.inputs import name_inputs
    from standcam.batch.run import count_photos
    from standcam.images.photo import read_photo
    from standcam.measure import Measurement, measure_photo
    from standcam.report.results import ResultsWriter
    from standcam.summarise import summarise

    settings = settings or Settings()
    path = Path(photo)
    megapixels = read_photo(path, settings.photo).rgb.size / 3e6
    if cv2.imread(str(path)) is None:
        raise UnreadablePhoto(f"{path.name} is not decoded by OpenCV.", "Time a JPEG or PNG.")
    measured: list[Measurement] = []

    def to_tables() -> None:
        m = measure_photo(read_photo(path, settings.photo), settings)
        summarise(m.positions, m.stretches, settings.spacing, settings.statistics)
        measured.append(m)

    def to_results() -> None:
        with (
            tempfile.TemporaryDirectory(prefix="standcam-") as folder,
            ResultsWriter(Path(folder) / "results") as writer,
        ):
            writer.finish(**count_photos(name_inputs([path]), settings, writer=writer).tables, run={})

    steps: dict[str, Callable[[], object]] = {
        "decode": lambda: cv2.imread(str(path)),
        "read": lambda: read_photo(path, settings.photo),
        "tables": to_tables,
        "results": to_results,
    }
    for step in steps.values():
        step()
    measured.clear()
    rounds = pd.DataFrame([{name: _milliseconds(step) for name, step in steps.items()} for _ in range(repeats)])
    median = rounds.median()
    names = list(measured[0].seconds)
    stages = [1000 * statistics.median(m.seconds.get(name, float("nan")) for m in measured) for name in names]
    return Speed(
        steps=pd.DataFrame(
            {
                "step": list(steps),
                "median_ms": median.to_numpy(),
                "fastest_ms": rounds.min().to_numpy(),
                "times_decoding": (median / median["decode"]).to_numpy(),
            }
        ),
        stages=pd.DataFrame({"stage": names, "median_ms": stages}),
        rounds=rounds,
        megapixels=megapixels,
        threads=cv2.getNumThreads(),
    )


def _milliseconds(step: Callable[[], object]) -> float:
    since = time.perf_counter()
    step()
    return 1000 * (time.perf_counter() - since)


@dataclasses.dataclass(frozen=True)
class SummarySpeed:
    """What summarising made-up rows cost."""

    rows: int
    plants: int
    """Over all rows."""
    plots: int
    seconds: float
    """From positions to gaps, rows and plots. [s]"""


def made_rows(rows: int, plants: int, rows_per_plot: int = 4, seed: int = 6) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Positions and stretches of rows with skips, doubles and scatter, for timing.

    Parameters
    ----------
    rows : int
        Measured rows.
    plants : int
        Seeds in each; 8 of 100 give no plant, 3 of 100 plants are doubles.
    rows_per_plot : int
        Rows that share a plot.
    seed : int
        Of the rows.

    Returns
    -------
    positions, stretches : DataFrame
        POSITIONS with standard errors of 0.4 cm, STRETCHES.
    """
    from standcam import tables

    rng = np.random.default_rng(seed)
    times = np.where(rng.random((rows, plants)) < 0.92, 1, 0) * np.where(rng.random((rows, plants)) < 0.03, 2, 1)
    row, seat = np.nonzero(times)
    copies = times[row, seat]
    row, seat = row.repeat(copies), seat.repeat(copies)
    length = 16.5 * plants
    place = np.clip(16.5 * (seat + 0.5) + rng.normal(0, 2.5, len(row)), 0, length)
    number = np.arange(rows)
    name = np.array([f"row-{i // rows_per_plot}" for i in number], object)
    key = pd.DataFrame({"photo": name, "plot": name, "row": number % rows_per_plot + 1})
    stretches = key.assign(from_cm=0.0, to_cm=length, plants=np.bincount(row, minlength=rows), status="ok", flags="")
    positions = key.take(row).reset_index(drop=True)
    positions = positions.assign(
        plant=np.arange(1, len(row) + 1), position_cm=place, position_sd_cm=0.4, source="synthetic", flags=""
    )
    return tables.conform(tables.POSITIONS, positions), tables.conform(tables.STRETCHES, stretches)


def summary(
    rows: int = 100_000, plants: int = 50, rows_per_plot: int = 4, settings: Settings | None = None
) -> SummarySpeed:
    """Time the lower half, positions to tables, on rows that are made up beforehand.

    Row width and theoretical spacing are given, so that population, indices and intervals are all worked out.
    """
    from standcam.summarise import summarise

    settings = settings or Settings().replace("spacing", row_width_cm=76.0, nominal_spacing_cm=16.5)
    positions, stretches = made_rows(rows, plants, rows_per_plot)
    # libraries are loaded before the clock runs
    summarise(*made_rows(2 * rows_per_plot, 10, rows_per_plot), settings.spacing, settings.statistics)
    since = time.perf_counter()
    result = summarise(positions, stretches, settings.spacing, settings.statistics)
    seconds = time.perf_counter() - since
    return SummarySpeed(len(result.rows), len(positions), len(result.plots), seconds)


def accuracy(
    folder: str | Path,
    by: str = "",
    tolerance_cm: float | None = None,
    settings: Settings | None = None,
    on_done: Callable[[str], None] | None = None,
) -> pd.DataFrame:
    """Count the photos of a folder of scenes and score what was found.

    Parameters
    ----------
    folder : path
        With images/, truth/ and scenes/, as ``standcam scene`` writes it.
    by : str
        Dotted name of a value in the scenes, as ``soil.kind`` or ``light.kind``: one row of scores for each
        value. ``image`` scores each photo.
    tolerance_cm : float, optional
        Largest distance between a find and its stem. [cm]
    on_done : callable, optional
        Told the name of each photo that is done.

    Returns
    -------
    DataFrame
        ``group`` and the values of :func:`standcam.validation.score.total`; "all" is the last row.

    Raises
    ------
    BadSettings
        The folder holds no scenes, or they lack photos or truth.
    """
    from standcam.batch.inputs import name_inputs
    from standcam.batch.run import count_photos
    from standcam.validation.score import TOLERANCE_CM, Score, score_scene, total
    from standcam.validation.truth import read_scenes

    settings = (settings or Settings()).replace("output", marked=False)
    groups: dict[str, list[Score]] = {}
    for scene in read_scenes(folder):
        batch = count_photos(name_inputs([scene.image]), settings)
        # a photo that could not be used has no finds and no stretches, and shows as plants not covered
        score = score_scene(
            scene,
            batch.plants.loc[batch.plants["is_crop"], ["x_px", "y_px"]].to_numpy(float),
            _stretch_ends(batch.rows),
            TOLERANCE_CM if tolerance_cm is None else tolerance_cm,
        )
        groups.setdefault(scene.group(by), []).append(score)
        if on_done:
            on_done(scene.image.name)
    named = {name: groups[name] for name in sorted(groups)} if by else {}
    named["all"] = [score for scores in groups.values() for score in scores]
    return pd.DataFrame([{"group": name, **total(scores)} for name, scores in named.items()])


def _stretch_ends(rows: pd.DataFrame) -> np.ndarray:
    return rows[ENDS].dropna().to_numpy(float).reshape(-1, 4)
