"""The demonstration set: an invented planter-speed trial with tape readings and a survey file."""

from __future__ import annotations

import zlib
from importlib import resources
from pathlib import Path

import numpy as np
import pandas as pd

from standcam.synthetic.camera import place_camera
from standcam.synthetic.demo_rows import BLOCKS, ROW_LENGTH_CM, ROW_UNITS, SPEEDS_KMH, WORN_UNIT, trial_files
from standcam.synthetic.recipe import RecipeBook, SceneRecipe, parse_recipe
from standcam.synthetic.scene import row_extent

TAPED = {"slow_1_board": "cm", "fast_1_tilt": "in"}
"""Photos whose main row was also read with a tape, and the unit of the tape."""
READING_SD_MM = 3.0
"""Error of one tape reading. [mm]"""
_MM_PER = {"cm": 10.0, "in": 25.4}


def demo_text() -> str:
    """The recipe of the demonstration set, as TOML."""
    return resources.files("standcam.synthetic").joinpath("demo.toml").read_text(encoding="utf-8")


def demo_recipe() -> RecipeBook:
    """The photos of the demonstration set."""
    return parse_recipe(demo_text(), "the demonstration recipe")


def strip_text() -> str:
    """The recipe of the demonstration strip, as TOML."""
    return resources.files("standcam.synthetic").joinpath("demo_strip.toml").read_text(encoding="utf-8")


def strip_recipe() -> RecipeBook:
    """The strip of the demonstration set."""
    return parse_recipe(strip_text(), "the demonstration recipe of strips")


def whole_demo() -> RecipeBook:
    """Photos and strip of the demonstration set, which have one seed."""
    photos = demo_recipe()
    return RecipeBook(photos.seed, photos.scenes + strip_recipe().scenes)


def tape_text(recipe: SceneRecipe, truth: pd.DataFrame, unit: str, seed: int) -> str:
    """A tape file of the main row: pegs stand where the row enters and leaves the picture."""
    start, stop = row_extent(place_camera(recipe.camera), 0.0)
    row = truth[(truth.row_id == 0) & (truth.kind != "weed")].sort_values("x_along_row_mm")
    x = row.x_along_row_mm[(row.x_along_row_mm > start) & (row.x_along_row_mm < stop)].to_numpy(float)
    rng = np.random.default_rng([seed, zlib.crc32(f"tape {recipe.name}".encode())])
    readings = np.sort((x - start + rng.normal(0, READING_SD_MM, len(x))) / _MM_PER[unit])
    lines = [
        f"# Tape along the row of {recipe.name}.jpg, from the first peg. Invented, as the photo is.",
        f"# row_length_{unit}: {(stop - start) / _MM_PER[unit]:.1f}",
        f"plot,row,position_{unit}",
    ]
    return "\n".join(lines + [f"{recipe.name},1,{reading:.1f}" for reading in readings]) + "\n"


def survey_text(book: RecipeBook) -> str:
    """Survey file of the trial: what the planter was meant to do."""
    recipe = book.scenes[0]
    return (
        "# What is known about the trial beforehand; `standcam count` reads it with the photos.\n"
        "[spacing]\n"
        f"nominal_spacing_cm = {recipe.planter.nominal_spacing_mm / 10:g}\n"
        f"row_width_cm = {recipe.crop.row_width_mm / 10:g}\n"
        f'crop = "{recipe.crop.species}"\n'
    )


def readme_text(book: RecipeBook) -> str:
    """README of the set: the scenario, and what each photo shows."""
    photos = "\n".join(f"| `{scene.name}.jpg` | {scene.story} |" for scene in book.scenes)
    tapes = ", ".join(f"`tape_{name}.csv` ({unit})" for name, unit in TAPED.items())
    flown = strip_recipe().scenes
    strips = "\n".join(f"| `strips/{scene.name}.tif` | {scene.story} |" for scene in flown)
    aerial = flown[0].strip
    mm, epsg, plots, heading = aerial.mm_per_px, aerial.epsg, aerial.plots, aerial.heading_deg
    units, worn = aerial.pass_rows, aerial.worn_unit
    mirrored = units + 1 - worn
    first = book.scenes[0]
    spacing, width = first.planter.nominal_spacing_mm / 10, first.crop.row_width_mm / 10
    depth, lift = first.ground.furrow_depth_mm, first.target.lift_mm
    speeds = ", ".join(f"{v:g}" for v in SPEEDS_KMH[:-1]) + f" and {SPEEDS_KMH[-1]:g}"
    tape = ROW_LENGTH_CM / 100
    short = 100 * (depth + lift) / first.camera.height_mm
    return f"""# Demonstration photos

Thistlewick Hollow, field Moonmere, 14 May 2031: one planter, two speeds side by side, rows {width:g} cm
apart, seed meant to lie every {spacing:g} cm. Farm, field, date and trial are invented, and the photos are
rendered by `standcam scene`: they show how the program works, and are no evidence of how well it works in a
field.

| photo | what it shows |
| --- | --- |
{photos}

- `truth.csv`: every plant that shows, with its stem base in the upright picture (`x_px`, `y_px`; centre of
  the top left pixel is 0, 0) and on the ground (mm along and across the row). `visible` is 1 where the base
  is in the picture and at least 25 % and 30 px of the plant show.
- {tapes}: the main row of two photos, read with a tape (3 mm reading error), for `standcam tape`.
- `tape_trial.csv`, `trial_plots.csv`, `trial_harvest.csv`: a trial of {speeds} km/h in {BLOCKS} blocks on the same
  field, every one of {ROW_UNITS} row units read with a tape over {tape:g} m in every plot; its plot map, and the
  grain of each plot. Row unit {WORN_UNIT} has a worn meter, and seeds scatter more at higher speed.
- `survey.toml`: row width and seed spacing. `recipe.toml`: seed and settings of every scene.
- `strips/`: a drone strip of the same field for `standcam strip`; `standcam count` leaves it out.

| strip | what it shows |
| --- | --- |
{strips}

- `strips/trial_strip.tif`: GeoTIFF, {mm:g} mm a pixel, at an invented place in EPSG:{epsg}.
- `strips/trial_strip_plots.geojson`: its {plots} plots, with `plot`, `treatment` and `block`.
- `strips/truth.csv`: every plant of it that shows, as in `truth.csv`, and `map_x`, `map_y`: easting and northing in m.
  X runs along the rows, {heading:g} degrees from east to north, and Y to their left, from the middle of the strip.
- `strips/recipe.toml`: its settings.
- Units are counted from the south, as by a planter that drove west: `row_id` 0 of the truth is unit 1. So
  `--planter-rows {units} --first-row 1 --first-heading W` gives the worn row its number, {worn}; with E, or
  without a heading, units are mirrored and it reads {mirrored}. `standcam planter` then lists it first, but so few
  rows do not part it from chance, and it says so.

Stem bases lie in a furrow {depth:g} mm below the high spots of the soil, and the face of the board {lift:g}
mm above them, much as in a field. A scale taken from the board therefore reads distances in the row about
{short:.1f} % short (the height between them over the camera's). The lens bends straight lines a little
(`k1` in `recipe.toml`), as phone lenses do.

Make them anew with `standcam scene DIR --flat`. Licence: that of the project (MIT).
"""


def write_companions(book: RecipeBook, truth: pd.DataFrame, folder: Path) -> None:
    """Recipes, survey file, tape files, the taped trial and README of the demonstration set."""
    book = RecipeBook(book.seed, book.of_kind("photo"))
    files = {"recipe.toml": demo_text(), "survey.toml": survey_text(book), "README.md": readme_text(book)}
    files |= trial_files(book.seed)
    for recipe in book.scenes:
        if recipe.name in TAPED:
            own = truth[truth.image == f"{recipe.name}.jpg"]
            files[f"tape_{recipe.name}.csv"] = tape_text(recipe, own, TAPED[recipe.name], book.seed)
    strips = Path(folder) / "strips"
    strips.mkdir(exist_ok=True)
    (strips / "recipe.toml").write_text(strip_text(), encoding="utf-8")
    for name, text in files.items():
        (Path(folder) / name).write_text(text, encoding="utf-8")
