"""run.json, written photo by photo: the records of 10,000 photos would fill more memory than all tables of the run.

While a run goes on, its records lie in a file of their own without a name, which goes with the run however that ends.
"""

from __future__ import annotations

import json
import math
import os
import platform
import sys
from array import array
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from standcam.aside import Aside, OneByOne
from standcam.settings import Settings


class Records(OneByOne[dict[str, Any]]):
    """One record a photo, read from disk one by one; nothing of a record is changed but what is added to it.

    Parameters
    ----------
    folder : path
        Where there is room for them.
    """

    def __init__(self, folder: str | Path) -> None:
        self._aside = Aside(folder)
        self._at = array("q")
        """Where in the file each record is."""
        self._added = array("q")
        """Where its further entries are, -1 where there are none."""

    def append(self, record: Mapping[str, Any]) -> None:
        """One more, of plain values.

        Raises
        ------
        OSError
            Disk full.
        """
        self._at.append(self._keep(record))
        self._added.append(-1)

    def add_to(self, k: int, **more: Any) -> None:
        """Further entries of a record.

        Raises
        ------
        OSError
            Disk full.
        """
        self._added[k] = self._keep(self._more(k) | more)

    def _keep(self, values: Mapping[str, Any]) -> int:
        self._aside.add(json.dumps(values, separators=(",", ":")).encode("ascii"))
        return len(self._aside) - 1

    def _more(self, k: int) -> dict[str, Any]:
        told: dict[str, Any] = {} if self._added[k] < 0 else json.loads(self._aside[self._added[k]])
        return told

    def __len__(self) -> int:
        return len(self._at)

    def _item(self, k: int) -> dict[str, Any]:
        record: dict[str, Any] = json.loads(self._aside[self._at[k]])
        return record | self._more(k)


def run_record(
    command: str,
    settings: Settings,
    inputs: Sequence[dict[str, Any]],
    started: datetime,
    notes: Sequence[str] = (),
    **more: Any,
) -> dict[str, Any]:
    """What was run, on what, with what: the content of run.json.

    Parameters
    ----------
    command : str
        Name of the command, ``count`` or ``tape``.
    settings : Settings
        As used.
    inputs : sequence of dict
        One record an input: ``path``, ``sha256`` and what else is worth keeping.
    started : datetime
        With time zone.
    notes : sequence of str
        Sentences about the whole run.
    more
        Further entries.
    """
    from standcam import __version__

    finished = datetime.now(UTC)
    seconds: float | None = round((finished - started).total_seconds(), 3)
    if finished < started:
        seconds = None
        notes = [*notes, "The clock was set back while this ran: started, finished and seconds cannot be trusted."]
    libraries = ("numpy", "pandas", "scipy", "cv2", "skimage", "PIL")
    return {
        "standcam": __version__,
        "command": command,
        "started": started.astimezone(UTC).isoformat(timespec="seconds"),
        "finished": finished.isoformat(timespec="seconds"),
        "seconds": seconds,
        "settings_digest": settings.digest(),
        "settings": settings.to_dict(),
        "inputs": inputs if isinstance(inputs, Records) else list(inputs),
        "notes": list(notes),
        "python": platform.python_version(),
        "platform": f"{platform.system()} {platform.machine()}",
        # only what this run has loaded: nothing is imported for the sake of its version
        "libraries": {
            name: str(getattr(sys.modules[name], "__version__", "")) for name in libraries if name in sys.modules
        },
    } | more


def write_run(path: str | Path, run: Mapping[str, Any]) -> None:
    """Write a run record as JSON of two-space indents; what is a sequence of records goes down one by one.

    Raises
    ------
    OSError
        Disk full, or no rights.
    """
    # names that are no valid Unicode (possible on Linux) are written as \udcXX, not lost with the record
    with open(path, "w", encoding="utf-8", errors="backslashreplace", newline="\n") as file:
        file.write("{")
        for n, (name, value) in enumerate(run.items()):
            file.write(f"{',' if n else ''}\n  {json.dumps(str(name), ensure_ascii=False)}: ")
            if isinstance(value, Records):
                for k, record in enumerate(value):
                    file.write(f"{',' if k else '['}\n    {_indented(record, 4)}")
                file.write("\n  ]" if len(value) else "[]")
            else:
                file.write(_indented(value, 2))
        file.write("\n}\n" if run else "}\n")
        file.flush()
        os.fsync(file.fileno())


def files_of_run(path: str | Path) -> list[str]:
    """Names under "files" of a run record, without reading all of its records where this program wrote it.

    Raises
    ------
    OSError, ValueError, KeyError, TypeError
        There is none, or it is damaged.
    """
    # within a JSON text no line ends, so a line like this is no part of one
    with open(path, encoding="utf-8") as file:
        for line in file:
            if line == '  "files": [\n':
                names: list[str] = []
                for name in file:
                    if name.strip() == "]":
                        return names
                    names.append(json.loads(name.strip().removesuffix(",")))
    return list(json.loads(Path(path).read_text(encoding="utf-8"))["files"])


def plain(value: Any) -> Any:
    """JSON has no NaN, no paths and no numpy numbers."""
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | Records):
        return [plain(v) for v in value]
    if hasattr(value, "item") and not isinstance(value, str | bytes):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if value is None or isinstance(value, bool | int | str) else str(value)


def _indented(value: Any, by: int) -> str:
    text = json.dumps(plain(value), indent=2, ensure_ascii=False, allow_nan=False)
    return text.replace("\n", "\n" + " " * by)
