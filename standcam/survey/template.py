"""survey.toml with every setting that users set, made from the settings' records themselves."""

from __future__ import annotations

import ast
import dataclasses
import inspect
import json
import sys
import textwrap
from collections.abc import Mapping
from typing import Any

from standcam.settings import Settings

CHIEF = ("spacing", "planter", "calibration", "ties", "output", "statistics")
"""Stages that users set; the others come with ``everything``."""

EXAMPLES: dict[tuple[str, str], Any] = {
    ("spacing", "nominal_spacing_cm"): 16.5,
    ("spacing", "row_width_cm"): 76.0,
    ("spacing", "seeding_rate_per_ha"): 79700.0,
    ("spacing", "germination_pct"): 95.0,
    ("spacing", "crop_card"): "sorghum.toml",
    ("planter", "row_units"): 8,
    ("planter", "cells_per_disc"): 30,
    ("passes", "first_row"): 3,
    ("planter", "speed_kmh"): 8.0,
    ("calibration", "board"): "my-board.toml",
    ("calibration", "points"): (1200.0, 1500.0, 2860.0, 1490.0, 100.0),
    ("calibration", "camera_height_cm"): 140.0,
    ("calibration", "focal_length_35mm"): 26.0,
    ("calibration", "lens"): "my-lens.toml",
    ("ties", "file_name"): "{plot}_{plot_row}_*.jpg",
    ("ties", "plot_areas"): "plots.geojson",
    ("ties", "camera_utc_offset"): "+02:00",
    ("plots", "name_column"): "plot",
    ("plots", "treatment_column"): "variety",
    ("plots", "block_column"): "replication",
    ("plots", "layer"): "plots",
    ("raster", "mm_per_px"): 3.0,
    ("raster", "bands"): (1, 2, 3),
    ("flight", "ground_elevation_m"): 212.0,
    ("flight", "control_points"): "control.csv",
    ("flight", "control_crs"): "EPSG:32633",
}
"""What a setting that has no default may look like."""

TITLES = {
    "spacing": "The crop and what the planter was meant to do",
    "planter": "The planter; nothing here is needed to count",
    "calibration": "Where the ground scale comes from",
    "ties": "Which plot a photo belongs to",
    "output": "What is written and how",
    "statistics": "Ranges and trust",
}

HEAD = """\
Settings of this survey. Lines that begin with # are not read: take the # off and change the value.
A line left as it is keeps the default, which is what it shows; where it says "not set", the value is an example.
Options on the command line go before this file. Paths are taken from this folder.
Which photo belongs to which plot stands in plots.csv; see what does not fit with: standcam survey check FOLDER
"""


def survey_text(given: Mapping[tuple[str, str], Any] | None = None, everything: bool = False) -> str:
    """Text of a survey.toml in which each setting stands with its meaning and its default.

    Parameters
    ----------
    given : mapping, optional
        (stage, setting) to value: these lines are in force.
    everything : bool
        Also the settings that hardly anybody changes.
    """
    given = {key: value for key, value in (given or {}).items() if value is not None}
    default = Settings()
    notes = field_notes()
    stages = [field.name for field in dataclasses.fields(Settings)]
    out = [*(f"# {line}".rstrip() for line in HEAD.splitlines()), ""]
    for stage in [*CHIEF, *(name for name in stages if name not in CHIEF)]:
        if stage not in CHIEF and not everything and not any(key[0] == stage for key in given):
            continue
        record = getattr(default, stage)
        title = TITLES.get(stage) or f"{(type(record).__doc__ or stage).splitlines()[0].rstrip('.')}; seldom changed"
        out += [f"[{stage}]  # {title}", ""]
        for field in dataclasses.fields(record):
            if stage not in CHIEF and not everything and (stage, field.name) not in given:
                continue
            note = notes.get((type(record).__name__, field.name), "")
            out += [f"# {line}" for line in textwrap.wrap(note, 100)]
            value = getattr(record, field.name)
            if (stage, field.name) in given:
                out.append(f"{field.name} = {toml_value(given[stage, field.name])}")
            elif value is None:
                out.append(f"# {field.name} = {toml_value(EXAMPLES[stage, field.name])}    # not set")
            else:
                out.append(f"# {field.name} = {toml_value(value)}")
            out.append("")
    return "\n".join(out).rstrip() + "\n"


def field_notes() -> dict[tuple[str, str], str]:
    """(record, setting) to the note that stands below it in the source, without reST marks.

    A note below several settings stands with the first of them.
    """
    notes: dict[tuple[str, str], str] = {}
    records = [type(getattr(Settings(), stage.name)) for stage in dataclasses.fields(Settings)]
    modules = dict.fromkeys(record.__module__ for record in records)
    for node in (node for name in modules for node in ast.parse(inspect.getsource(sys.modules[name])).body):
        if not isinstance(node, ast.ClassDef):
            continue
        waiting: list[str] = []
        for item in node.body:
            if isinstance(item, ast.AnnAssign) and isinstance(item.target, ast.Name):
                waiting.append(item.target.id)
            elif isinstance(item, ast.Expr) and isinstance(item.value, ast.Constant) and waiting:
                text = " ".join(str(item.value.value).replace("``", "").split())
                notes[node.name, waiting[0]] = text.replace(":mod:`", "").replace("`", "").replace("None:", "Not set:")
                waiting = []
            else:
                waiting = []
    return notes


def toml_value(value: Any) -> str:
    """A value as TOML writes it; texts as basic strings, whose escapes are JSON's (TOML 1.0.0, String)."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, tuple | list):
        return "[" + ", ".join(toml_value(part) for part in value) + "]"
    return repr(value)
