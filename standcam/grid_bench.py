"""How right a count is over a grid of synthetic scenes: one factor at a time is moved away from a middling scene.

All levels of a factor are tried on the same sown rows (same seeds), so that they differ by the factor and not by
luck; every factor has rows of its own. Photos are written as JPEG and read back like a user's. Scenes are drawn,
not photographed, by the generator that also gave training scenes (of other seeds): a weak cell warns, a strong one
proves little.
"""

from __future__ import annotations

import dataclasses
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from standcam import flags, tables
from standcam.errors import BadSettings
from standcam.report.wording import percent
from standcam.settings import Settings
from standcam.synthetic.recipe import SceneRecipe
from standcam.tables import Column

SEED = 3107
WEAK_F1 = 0.90
"""A cell below this should carry a flag of doubt."""
USUAL_FLAGS = flags.bit("censored_ends", "no_population", "nominal_estimated")
"""Flags that nearly every row of a single photo carries: they tell no doubt about what was found."""
BIN_EDGES = (0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 1.0)
"""Bins of crop_probability in the calibration table; the outer ones are narrow, for most finds lie there."""

_MAIZE = (
    SceneRecipe()
    .replace("planter", placement_sd_mm=25.0, p_double=0.05, p_late=0.06)
    .replace("crop", stage=3.0, weeds_per_m2=4.0)
    .replace("camera", width_px=1600, height_px=1200, tilt_deg=8.0, azimuth_deg=86.0)
    .replace("ground", straw_per_m2=20.0, furrow_depth_mm=4.0)
    .replace("capture", blur_px=0.7, jpeg_quality=88)
)
_SOYBEAN = (
    _MAIZE.replace("planter", nominal_spacing_mm=60.0, placement_sd_mm=12.0)
    .replace("crop", species="soybean", stage=2.0)
    .replace("camera", height_mm=1150.0)
)


@dataclass(frozen=True)
class Factor:
    """One way in which photos differ."""

    name: str
    base: SceneRecipe
    levels: dict[str, dict[str, dict[str, Any]]]
    """Level to part of the recipe to its values."""

    def recipe(self, level: str, scene: int) -> SceneRecipe:
        """The recipe of one scene. Its name, and with it the rows sown, is that of factor and scene only."""
        made = dataclasses.replace(self.base, name=f"{self.name}_{scene + 1}")
        for part, values in self.levels[level].items():
            made = made.replace(part, **values)
        return made


def _plain(name: str, part: str, key: str, values: Sequence[Any], base: SceneRecipe = _MAIZE) -> Factor:
    return Factor(name, base, {f"{v:g}" if not isinstance(v, str) else v: {part: {key: v}} for v in values})


def _stages(name: str, base: SceneRecipe, stages: dict[str, float]) -> Factor:
    return Factor(name, base, {stage: {"crop": {"stage": leaves}} for stage, leaves in stages.items()})


FACTORS: tuple[Factor, ...] = (
    Factor(
        "light",
        _MAIZE,
        {
            "sun": {},
            "low_sun": {"light": {"sun_elevation_deg": 20.0}},
            "own_shadow": {"light": {"sun_elevation_deg": 35.0, "sun_azimuth_deg": 266.0, "photographer_shadow": True}},
            "haze": {"light": {"kind": "haze"}},
            "overcast": {"light": {"kind": "overcast"}},
        },
    ),
    _plain("soil", "ground", "soil", ("dry", "wet", "sandy", "red")),
    _plain("straw_per_m2", "ground", "straw_per_m2", (0, 60, 150, 300)),
    # the generator counts the emerging leaf too
    _stages("stage", _MAIZE, {"VE": 1.0, "V1": 2.0, "V2": 3.0, "V3": 4.0, "V4": 5.0}),
    _plain("tilt_deg", "camera", "tilt_deg", (0, 12, 24, 35)),
    _plain("weeds_per_m2", "crop", "weeds_per_m2", (0, 10, 25, 50)),
    _plain("spacing_mm", "planter", "nominal_spacing_mm", (90, 130, 165, 240)),
    _plain("p_double", "planter", "p_double", (0, 0.1, 0.2, 0.35)),
    _plain("blur_px", "capture", "blur_px", (0.5, 1.2, 2.5, 4)),
    _plain("jpeg_quality", "capture", "jpeg_quality", (95, 75, 50, 25)),
    _stages("soybean_stage", _SOYBEAN, {"VC": 1.0, "V1": 2.0, "V2": 3.0}),
    _plain("soybean_spacing_mm", "planter", "nominal_spacing_mm", (40, 60, 100), _SOYBEAN),
)

GRID = tables.Table(
    "grid",
    (
        Column("factor", "str", "", "what is moved away from the middling scene; all: the whole grid"),
        Column("level", "str", "", "to what"),
        Column("photos", "int64", "", "scenes of the cell"),
        Column("asked", "int64", "", "crop plants that can be seen along measured stretches"),
        Column("covered", "float64", "1", "share of the main row's visible plants along measured stretches"),
        Column("recall", "float64", "1", "share of the plants asked for that were found"),
        Column("precision", "float64", "1", "share of the finds that are crop plants"),
        Column("f1", "float64", "1", "harmonic mean of recall and precision"),
        Column("stem_error_mm", "float64", "mm", "mean absolute error of the stem along the row"),
        Column("stem_error_p95_mm", "float64", "mm", "95th percentile of the absolute error"),
        Column("count_error_pct", "float64", "%", "finds less plants asked for, of the plants asked for"),
        Column("doubles", "int64", "", "pairs of plants from one seed place that were asked for"),
        Column("doubles_found", "float64", "1", "share of them with both plants found"),
        Column("cv_error_points", "float64", "%", "mean absolute error of a row's CV of spacing, in percentage points"),
        Column("sd_error_cm", "float64", "cm", "mean absolute error of a row's SD of spacing"),
        Column("z_rms", "float64", "1", "root mean square of stem error / position_sd_cm; 1 is honest, above is boast"),
        Column("within_1sd", "float64", "1", "share of stem errors within position_sd_cm; 0.68 if normal"),
        Column("within_2sd", "float64", "1", "share within twice position_sd_cm; 0.95 if normal"),
        Column("photos_flagged", "int64", "", "photos with a flag of doubt on some row"),
        Column("doubt", "str", "", "those flags, in words"),
        Column("weak", "bool", "", "F1 below 0.90, or nothing measured"),
        Column("unsaid", "bool", "", "weak, and no photo of the cell carries a flag of doubt"),
    ),
)

CALIBRATION = tables.Table(
    "calibration",
    (
        Column("from_probability", "float64", "1", "lower edge of the bin of crop_probability"),
        Column("to_probability", "float64", "1", "upper edge"),
        Column("finds", "int64", "", "finds in the bin, weeds included"),
        Column("expected", "float64", "1", "mean crop_probability of them"),
        Column("observed", "float64", "1", "share of them that are crop plants in truth"),
    ),
)


@dataclass(frozen=True)
class Shot:
    """What one photo gave, held against its truth."""

    score: Any
    """:class:`standcam.validation.score.Score`"""
    z: np.ndarray
    """Stem error over position_sd_cm of each find with a stem in reach. (n,)"""
    probability: np.ndarray
    """crop_probability of every find, weeds too. (m,)"""
    is_crop: np.ndarray
    """Whether each of these is a crop plant in truth. (m,) bool"""
    cv_error: np.ndarray
    """Found less true CV of each row with at least two true gaps. [percentage points] (r,)"""
    sd_error_cm: np.ndarray
    """The same of the SD. [cm] (r,)"""
    doubt: int
    """Flags of all its rows, less the usual ones."""


@dataclass(frozen=True)
class Grid:
    """Outcome of the bench."""

    table: pd.DataFrame
    """GRID, whole grid last."""
    calibration: pd.DataFrame
    """CALIBRATION"""

    @property
    def weak(self) -> pd.DataFrame:
        """Cells under the limit, the whole grid left out."""
        return self.table[self.table["weak"] & (self.table["factor"] != "all")]


def chosen(only: Sequence[str] = ()) -> tuple[Factor, ...]:
    """Factors by name; all of them for none.

    Raises
    ------
    BadSettings
        A name is unknown.
    """
    known = [factor.name for factor in FACTORS]
    unknown = [name for name in only if name not in known]
    if unknown:
        raise BadSettings(f"No factor is named {', '.join(unknown)}.", f"Known are: {', '.join(known)}.")
    return tuple(factor for factor in FACTORS if not only or factor.name in only)


def run(
    factors: Sequence[Factor] = FACTORS,
    scenes: int = 2,
    settings: Settings | None = None,
    on_done: Callable[[str, int, int], None] | None = None,
    seed: int = SEED,
) -> Grid:
    """Make the scenes of all cells, count them, and hold the counts against truth.

    Parameters
    ----------
    factors : sequence of Factor
    scenes : int
        Scenes a cell.
    on_done : callable, optional
        Told cell, photos done and photos in all, after each photo.
    seed : int
        Of all scenes.
    """
    settings = settings or Settings()
    total = scenes * sum(len(factor.levels) for factor in factors)
    cells: dict[tuple[str, str], list[Shot]] = {}
    done = 0
    with tempfile.TemporaryDirectory(prefix="standcam-") as folder:
        for factor, level, scene in _all(factors, scenes):
            shot = shoot(factor.recipe(level, scene), Path(folder), settings, seed)
            cells.setdefault((factor.name, level), []).append(shot)
            done += 1
            if on_done:
                on_done(f"{factor.name} {level}", done, total)
    everything = [shot for shots in cells.values() for shot in shots]
    rows = [cell(name, level, shots) for (name, level), shots in cells.items()]
    table = tables.conform(GRID, pd.DataFrame([*rows, cell("all", "", everything)]))
    return Grid(table, calibration(everything))


def _all(factors: Sequence[Factor], scenes: int) -> Iterator[tuple[Factor, str, int]]:
    for factor in factors:
        for level in factor.levels:
            for scene in range(scenes):
                yield factor, level, scene


def shoot(recipe: SceneRecipe, folder: Path, settings: Settings, seed: int) -> Shot:
    """Make one scene, count its photo as a user's, compare."""
    from standcam.images.photo import read_photo
    from standcam.images.quality import quality_flags
    from standcam.measure import measure_photo
    from standcam.summarise import summarise
    from standcam.synthetic import noise
    from standcam.synthetic.scene import make_scene, scene_record
    from standcam.validation.truth import TrueScene

    scene = make_scene(recipe, recipe.rng(seed))
    path = folder / f"{recipe.name}.jpg"
    noise.write_jpeg(path, scene.rgb, recipe.capture, recipe.camera)
    photo = read_photo(path, settings.photo)
    photo = dataclasses.replace(photo, flags=photo.flags | quality_flags(photo.rgb))
    m = measure_photo(photo, settings)
    path.unlink()
    rows = summarise(m.positions, m.stretches, settings.spacing, settings.statistics).rows
    return compare(TrueScene(path, scene_record(scene, seed), scene.truth), m.plants, rows, m.stretches)


def compare(true: Any, plants: pd.DataFrame, rows: pd.DataFrame, stretches: pd.DataFrame) -> Shot:
    """Hold finds (PLANTS) and their summary (ROWS, STRETCHES) of one photo against its TrueScene."""
    from standcam.benchmark import ENDS
    from standcam.validation.match import match
    from standcam.validation.score import BESIDE_CM, BEYOND_CM, TOLERANCE_CM, score_scene

    counted = plants[plants["is_crop"]]
    px = counted[["x_px", "y_px"]].to_numpy(float)
    ends = stretches[ENDS].dropna().to_numpy(float).reshape(-1, 4)
    score = score_scene(true, px, ends)

    crop = (true.plants["kind"] != "weed").to_numpy()
    seen = crop & (true.plants["visible"] == 1).to_numpy()
    places = true.to_ground(true.plants[["x_px", "y_px"]].to_numpy(float))
    finds = true.to_ground(px)
    pairs = match(finds, places[seen], TOLERANCE_CM)
    error = (finds[pairs.found] - places[seen][pairs.true])[:, 0]
    sd = counted["position_sd_cm"].to_numpy(float)[pairs.found]
    usable = np.isfinite(sd) & (sd > 0)

    # hidden crop plants are crop as well: that a scorer cannot ask for them makes no weed of a find
    all_finds = true.to_ground(plants[["x_px", "y_px"]].to_numpy(float))
    is_crop = np.zeros(len(plants), bool)
    is_crop[match(all_finds, places[crop], TOLERANCE_CM).found] = True

    cv_error, sd_error = [], []
    by_row = rows.set_index("row")
    for stretch in stretches.dropna(subset=ENDS).to_dict("records"):
        (x0, y0), (x1, y1) = true.to_ground(np.array([stretch[name] for name in ENDS]))
        low, high = sorted([(x0, y0), (x1, y1)])
        aside = np.abs(places[:, 1] - np.interp(places[:, 0], [low[0], high[0]], [low[1], high[1]]))
        along = (places[:, 0] >= low[0] - BEYOND_CM) & (places[:, 0] <= high[0] + BEYOND_CM)
        gaps = np.diff(np.sort(places[crop & along & (aside <= BESIDE_CM), 0]))
        if len(gaps) >= 2:
            sd_true = float(gaps.std(ddof=1))
            cv_error.append(by_row["cv_pct"][stretch["row"]] - 100 * sd_true / gaps.mean())
            sd_error.append(by_row["sd_gap_cm"][stretch["row"]] - sd_true)
    bits = 0
    for words in rows["flags"]:
        bits |= flags.parse(words)
    return Shot(
        score,
        error[usable] / sd[usable],
        plants["crop_probability"].to_numpy(float),
        is_crop,
        np.array(cv_error, float),
        np.array(sd_error, float),
        bits & ~USUAL_FLAGS,
    )


def cell(factor: str, level: str, shots: Sequence[Shot]) -> dict[str, Any]:
    """One row of GRID."""
    from standcam.validation.score import total

    sums = total(shot.score for shot in shots)
    error = np.abs(np.concatenate([np.empty(0), *(shot.score.error_cm for shot in shots)])) * 10
    z = np.abs(np.concatenate([np.empty(0), *(shot.z for shot in shots)]))
    doubt = 0
    for shot in shots:
        doubt |= shot.doubt
    flagged = sum(shot.doubt != 0 for shot in shots)
    weak = not sums["f1"] >= WEAK_F1  # NaN too: nothing was measured
    return {
        "factor": factor,
        "level": level,
        **{name: sums[name] for name in GRID.names if name in sums},
        "stem_error_p95_mm": float(np.percentile(error, 95)) if len(error) else np.nan,
        "cv_error_points": _mean_size([shot.cv_error for shot in shots]),
        "sd_error_cm": _mean_size([shot.sd_error_cm for shot in shots]),
        "z_rms": float(np.sqrt((z**2).mean())) if len(z) else np.nan,
        "within_1sd": float((z <= 1).mean()) if len(z) else np.nan,
        "within_2sd": float((z <= 2).mean()) if len(z) else np.nan,
        "photos_flagged": flagged,
        "doubt": flags.words(doubt),
        "weak": weak,
        "unsaid": weak and not flagged,
    }


def _mean_size(parts: Sequence[np.ndarray]) -> float:
    values = np.abs(np.concatenate([np.empty(0), *parts]))
    values = values[np.isfinite(values)]
    return float(values.mean()) if len(values) else float("nan")


def calibration(shots: Sequence[Shot]) -> pd.DataFrame:
    """Expected and observed share of crop among finds, by bins of crop_probability; empty bins are left out."""
    p = np.concatenate([np.empty(0), *(shot.probability for shot in shots)])
    is_crop = np.concatenate([np.empty(0, bool), *(shot.is_crop for shot in shots)])
    known = np.isfinite(p)
    p, is_crop = p[known], is_crop[known]
    number = np.clip(np.searchsorted(BIN_EDGES, p, side="right") - 1, 0, len(BIN_EDGES) - 2)
    rows = [
        {
            "from_probability": BIN_EDGES[k],
            "to_probability": BIN_EDGES[k + 1],
            "finds": int((number == k).sum()),
            "expected": p[number == k].mean(),
            "observed": is_crop[number == k].mean(),
        }
        for k in np.unique(number)
    ]
    return tables.conform(CALIBRATION, pd.DataFrame(rows, columns=CALIBRATION.names))


def report_lines(grid: Grid) -> list[str]:
    """What the grid tells, in words: the whole, then its weak cells, then what it cannot tell."""
    whole = grid.table.iloc[-1]
    weak, cells = grid.weak, len(grid.table) - 1
    lines = [
        f"{cells} cells, {whole['photos']} photos, {whole['asked']} plants asked for: recall {whole['recall']:.3f}, "
        f"precision {whole['precision']:.3f}, F1 {whole['f1']:.3f}; count {whole['count_error_pct']:+.1f} %",
        f"  stem error {whole['stem_error_mm']:.1f} mm mean, 95 of 100 below {whole['stem_error_p95_mm']:.1f} mm; "
        f"a row's CV off by {whole['cv_error_points']:.1f} points, its SD by {whole['sd_error_cm']:.2f} cm",
        f"  doubles found {percent(100 * whole['doubles_found'])} of {whole['doubles']}",
        f"  stems within position_sd_cm: {percent(100 * whole['within_1sd'])} (68 % if honest), within twice that: "
        f"{percent(100 * whole['within_2sd'])} (95 %)",
        "  crop_probability, said against seen: "
        + ", ".join(f"{c.expected:.2f} {c.observed:.2f} ({c.finds})" for c in grid.calibration.itertuples()),
    ]
    if len(weak):
        lines.append(f"Cells with F1 below {WEAK_F1:.2f}:")
        lines += [f"  {_weak_words(row)}" for row in weak.to_dict("records")]
    else:
        lines.append(f"No cell has an F1 below {WEAK_F1:.2f}.")
    lines += [
        "The scenes are drawn, a few for each cell: a weak cell warns, a strong one proves little. The learned locator",
        "was fitted, among others, on scenes of the same generator (other seeds): expect less of real photos.",
    ]
    return lines


def _weak_words(row: dict[str, Any]) -> str:
    flagged = f"flagged in {row['photos_flagged']} of {row['photos']} photos: {row['doubt']}"
    found = "nothing measured" if np.isnan(row["f1"]) else f"F1 {row['f1']:.2f} of {row['asked']} plants"
    return f"{row['factor']} {row['level']}: {found}, {'no flag' if row['unsaid'] else flagged}"


def grid_chart(grid: Grid) -> bytes:
    """F1 and stem error of every cell, and the calibration of crop_probability, as PNG."""
    from standcam.report import chart

    cells = grid.table[grid.table["factor"] != "all"].reset_index(drop=True)
    first = ~cells["factor"].duplicated()
    y = np.arange(len(cells)) + 0.8 * (first.cumsum() - 1).to_numpy(float)
    figure, (left, middle, right) = chart.new_chart(1, 3, 13.0, max(4.5, 0.27 * float(y[-1]) + 1.8))
    weak = cells["weak"].to_numpy()
    f1 = cells["f1"].fillna(0.0)
    lowest = min(0.8, float(f1.min()) - 0.03)
    for index, colour, mark, word in (
        (~weak, chart.COLOURS[0], "o", "0.90 or more"),
        (weak & ~cells["unsaid"].to_numpy(), chart.COLOURS[4], "D", "below, flagged"),
        (cells["unsaid"].to_numpy(), chart.COLOURS[1], "X", "below, no flag"),
    ):
        if index.any():
            left.plot(f1[index], y[index], mark, color=colour, markersize=8, label=word)
    left.axvline(WEAK_F1, color=chart.INK, linewidth=1)
    left.set(xlim=(lowest, 1.01), xlabel="F1: plants found")
    names = [f"{c.factor}  {c.level}" for c in cells.itertuples()]
    left.set_yticks(y, names)
    above = {"loc": "lower left", "bbox_to_anchor": (0, 1), "fontsize": 10, "frameon": False, "borderaxespad": 0.1}
    left.legend(**above)
    middle.plot(cells["stem_error_mm"], y, "o", color=chart.COLOURS[0], markersize=7, label="mean")
    p95 = cells["stem_error_p95_mm"]
    middle.plot(p95, y, "|", color=chart.COLOURS[1], markersize=12, mew=3, label="95 of 100 below")
    middle.set_yticks(y, [""] * len(y))
    middle.set(xlabel="stem error along the row, mm")
    middle.set_xlim(left=0)
    middle.legend(**above)
    for ax in (left, middle):
        ax.set_ylim(float(y[-1]) + 0.7, -0.7)
    right.plot([0, 1], [0, 1], color=chart.FAINT, linewidth=1)
    table = grid.calibration
    right.plot(table["expected"], table["observed"], "o-", color=chart.COLOURS[0], markersize=7)
    for row in table.itertuples():
        right.annotate(f"{row.finds}", (row.expected, row.observed), (7, -12), textcoords="offset points", fontsize=10)
    right.set(xlim=(-0.03, 1.1), ylim=(-0.03, 1.05))
    right.set(xlabel="crop_probability (mean of bin)", ylabel="share that is crop")
    right.set_title("Finds by crop_probability")
    right.set_box_aspect(1)
    right.set_anchor("N")
    return chart.png(figure)
