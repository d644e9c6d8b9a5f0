"""Settings from a survey file (TOML): each value checked by the record it belongs to."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

from standcam.checked import record_of, settings_tables
from standcam.crops import chosen_crop, crop_card
from standcam.errors import BadSettings
from standcam.settings import Settings


def settings_from_dict(data: dict[str, Any], where: str = "settings") -> Settings:
    """Settings from nested tables; unknown names are errors, for a misspelt setting must not pass unnoticed.

    Raises
    ------
    BadSettings
        Unknown stage or setting, or a value that does not make sense.
    """
    stages = {f.name: f for f in dataclasses.fields(Settings)}
    made = {}
    for stage, values in data.items():
        if stage not in stages:
            raise BadSettings(f"{where} has an unknown table [{stage}].", f"Known are: {', '.join(stages)}.")
        record = type(getattr(Settings(), stage))
        if not isinstance(values, dict):
            raise BadSettings(f"{where} has {stage} as a value.", f"Write a line [{stage}], and settings below it.")
        made[stage] = record_of(record, values, where, stage)
    return Settings(**made)


def read_settings(path: str | Path) -> Settings:
    """Settings from a survey file (TOML). Paths in it are taken from the file's own folder.

    Raises
    ------
    BadSettings
        The file is missing, no TOML, or holds unknown or impossible values.
    """
    path = Path(path)
    data = settings_tables(path, "Survey file")
    settings = settings_from_dict(data, str(path))
    try:
        settings = settings.replace("spacing", **chosen_crop(data.get("spacing", {}), path.parent))
        scatter = crop_card(settings.spacing.crop, settings.spacing.crop_card).row_scatter_cm
    except BadSettings as error:
        raise BadSettings(f"{path} [spacing]: {error.reason}", error.remedy) from None
    if "row_scatter_cm" not in data.get("stems", {}):
        settings = settings.replace("stems", row_scatter_cm=scatter)
    paths = (("calibration", "board"), ("calibration", "lens"), ("ties", "plot_areas"), ("flight", "control_points"))
    for stage, name in paths:
        value = getattr(getattr(settings, stage), name)
        if value is not None and not Path(value).is_absolute():
            settings = settings.replace(stage, **{name: str(path.parent / value)})
    return settings
