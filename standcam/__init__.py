"""Stand counts and plant spacing from emergence photos or hand tape readings.

Public names are loaded when first used, so that ``import standcam`` costs next to nothing. The function
``standcam.summarise.summarise`` is public too; it has its module's name, so it is not lifted up here.
"""

from __future__ import annotations

import importlib
from typing import Any

_PLACES = {
    "Photo": "images.photo",
    "read_photo": "images.photo",
    "GroundMap": "ground.map",
    "LensProfile": "ground.lens",
    "RowLine": "rows.line",
    "Measurement": "measure",
    "measure_photo": "measure",
    "read_tape": "spacing.tape",
    "Settings": "settings",
    "read_settings": "settings_file",
    "StandcamError": "errors",
    "UnreadablePhoto": "errors",
    "BoardNotFound": "errors",
    "NoScale": "errors",
    "BadSettings": "errors",
    "ResultsExist": "errors",
    "write_results": "report.results",
    "read_table": "report.csv_tables",
}

__all__ = ["__version__", *_PLACES]


def __getattr__(name: str) -> Any:
    """Load a public name on first use (PEP 562)."""
    if name == "__version__":
        from importlib.metadata import PackageNotFoundError, version

        try:
            value: Any = version("standcam")
        except PackageNotFoundError:  # a source tree that was never installed
            value = "0+unknown"
    elif name in _PLACES:
        value = getattr(importlib.import_module(f"standcam.{_PLACES[name]}"), name)
    else:
        raise AttributeError(f"module 'standcam' has no attribute {name!r}")
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """Public names, loaded or not."""
    return sorted(__all__)
