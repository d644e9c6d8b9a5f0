"""A survey begun: survey.toml and plots.csv for the photos of a folder, nothing overwritten."""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from standcam.batch.inputs import find_inputs, is_results
from standcam.batch.mosaics import leave_out_mosaics
from standcam.errors import BadSettings, UnwritableResults
from standcam.settings_file import settings_from_dict
from standcam.survey.facts import read_facts
from standcam.survey.names import name_pattern
from standcam.survey.plot_list import (
    PLOTS_FILE,
    PhotoNames,
    appended,
    can_be_written,
    is_plot_list,
    lines_text,
    photo_line,
    read_plot_list,
)
from standcam.survey.template import survey_text
from standcam.survey.tied import below

SURVEY_FILE = "survey.toml"

PLOTS_HEAD = """\
# photo: path below this folder. A line without one describes a plot, and may tie photos by label, time_from, time_to.
# row: row within the photo, 1 being the one it was taken of; leave empty for what holds for the whole photo.
# plot_row: which row of the plot. row_unit: planter unit that planted row 1 of the photo. Add columns of your own.
# taken, longitude, latitude: by the camera; mend them where the camera was wrong.
"""


@dataclass(frozen=True)
class Started:
    """What became of a call of ``survey new``."""

    photos: int
    timed: int
    """Photos with a time."""
    placed: int
    """Photos with a position."""
    said: tuple[str, ...]
    """Sentences on the files."""


def start_survey(
    folder: Path, given: Mapping[tuple[str, str], Any], everything: bool = False, add_photos: bool = False
) -> Started:
    """Write survey.toml and plots.csv where they are missing; add lines to plots.csv if asked to.

    Parameters
    ----------
    folder : Path
    given : mapping
        (stage, setting) to value: what survey.toml sets; None sets nothing.
    everything : bool
        survey.toml with all settings.
    add_photos : bool
        Add lines for photos that plots.csv does not name.

    Raises
    ------
    BadSettings
        A value given makes no sense, or results lie where plots.csv should.
    PlotMapMismatch
        The plots.csv there cannot be read.
    UnwritableResults
    """
    _check(given)
    settings_file, plots_file = folder / SURVEY_FILE, folder / PLOTS_FILE
    if is_results(folder) or (plots_file.exists() and not is_plot_list(plots_file)):
        raise BadSettings(
            f"{folder} holds results, whose plots.csv is another than a survey's.",
            "Move the results into a folder of their own.",
        )
    inputs, problems = find_inputs([folder])
    inputs, said = leave_out_mosaics(inputs, [])
    facts = [read_facts(item.path) for item in inputs]
    paths = [below(folder, item.path) for item in inputs]
    odd = [path for path in paths if not can_be_written(path)]
    if odd:
        said.append(f"{len(odd)} photos have a line break in their name and stand in no CSV: rename them.")
    lines = {path: photo_line(path, fact) for path, fact in zip(paths, facts, strict=True) if path not in odd}

    if settings_file.exists():
        said.append(f"{settings_file} is there already and was left as it is.")
    else:
        _write_new(settings_file, survey_text(given, everything))
        said.append(f"{settings_file} was written.")
    if not plots_file.exists():
        _write_new(plots_file, PLOTS_HEAD + lines_text(list(lines.values())))
        said.append(f"{plots_file} was written with {len(lines)} lines.")
    else:
        names = PhotoNames(paths)
        named = {i for name in read_plot_list(plots_file).lines["photo"] if name for i in names.find(str(name))}
        fresh = [line for path, line in lines.items() if paths.index(path) not in named]
        if not add_photos:
            said.append(
                f"{plots_file} is there already and was left as it is"
                + (f"; {len(fresh)} photos have no line in it: --add-photos adds them." if fresh else ".")
            )
        elif fresh:
            _replace(plots_file, appended(_text(plots_file), fresh))
            said.append(f"{plots_file} got {len(fresh)} lines more; those that were there are as they were.")
        else:
            said.append(f"{plots_file} names all photos already.")
    said += [f"{problem.reason} {problem.remedy}" for problem in problems if inputs]
    timed = sum(fact.taken is not None for fact in facts)
    placed = sum(fact.longitude is not None for fact in facts)
    return Started(len(inputs), timed, placed, tuple(said))


def plot_labels(folder: Path) -> list[tuple[str, str]]:
    """Labels to print of a survey: by the column label where that is filled, else by the names of plots.

    Raises
    ------
    BadSettings
        plots.csv is missing or names no plot.
    """
    path = folder / PLOTS_FILE
    if not is_plot_list(path):
        raise BadSettings(f"{path} is missing.", "Make it with standcam survey new, or print --numbers FROM-TO.")
    lines = read_plot_list(path).lines
    out: dict[str, str] = {}
    for line in lines[lines["label"] != ""].to_dict("records"):
        more = [f"unit {line['row_unit']}"] if line["row_unit"] else []
        more += [f"row {line['plot_row']}"] if line["plot_row"] else []
        out.setdefault(str(line["label"]), ", ".join([str(line["plot"]), *more]))
    if not out:
        out = {plot: plot for plot in dict.fromkeys(str(plot) for plot in lines["plot"] if plot)}
    if not out:
        raise BadSettings(f"{path} names no plot yet.", "Fill in plot or label, or print --numbers FROM-TO.")
    return list(out.items())


def numbered(text: str) -> list[tuple[str, str]]:
    """Labels with the numbers of a range such as ``101-148``.

    Raises
    ------
    BadSettings
        It is no range.
    """
    found = re.fullmatch(r"\s*(\d{1,6})\s*(?:-\s*(\d{1,6}))?\s*", text)
    first, last = (int(found[1]), int(found[2] or found[1])) if found else (1, 0)
    if last < first or last - first >= 1000:
        raise BadSettings(f"--numbers is {text!r}.", "Write a range such as 101-148, of up to 1000.")
    return [(str(n), str(n)) for n in range(first, last + 1)]


def _check(given: Mapping[tuple[str, str], Any]) -> None:
    from standcam.crops import chosen_crop

    data: dict[str, dict[str, Any]] = {}
    for (stage, name), value in given.items():
        if value is not None:
            data.setdefault(stage, {})[name] = value
    pattern = settings_from_dict(data, "the call").ties.file_name
    if pattern is not None:
        name_pattern(pattern)
    if "crop" in data.get("spacing", {}):
        chosen_crop(data["spacing"], Path())


def _text(path: Path) -> str:
    return path.read_bytes().decode("utf-8")


def _write_new(path: Path, text: str) -> None:
    """Write a file that must not be there: also one that came up meanwhile stays."""
    work = _beside(path, text)
    try:
        os.link(work, path)
    except FileExistsError:
        raise BadSettings(f"{path} came up meanwhile and was left as it is.", "Call again.") from None
    except OSError:  # file systems without hard links
        if path.exists():
            raise BadSettings(f"{path} came up meanwhile and was left as it is.", "Call again.") from None
        os.replace(work, path)
    finally:
        Path(work).unlink(missing_ok=True)


def _replace(path: Path, text: str) -> None:
    work = _beside(path, text)
    try:
        os.replace(work, path)
    except OSError as error:
        raise UnwritableResults(f"{path} cannot be written: {error.strerror}.", "Check the rights.") from None
    finally:
        Path(work).unlink(missing_ok=True)


def _beside(path: Path, text: str) -> str:
    try:
        with tempfile.NamedTemporaryFile(dir=path.parent, prefix=f".{path.name}.", delete=False) as file:
            file.write(text.encode("utf-8"))
            file.flush()
            os.fsync(file.fileno())
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(file.name, 0o666 & ~mask)  # temporary files are private to their owner
        return file.name
    except OSError as error:
        raise UnwritableResults(f"{path} cannot be written: {error.strerror}.", "Check rights and space.") from None
