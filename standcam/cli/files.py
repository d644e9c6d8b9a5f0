"""Writing single files: all or none, whole, and never over existing ones unasked."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from pathlib import Path

from standcam.files import umask


def write_files(files: Mapping[Path, bytes | str], force: bool = False) -> None:
    """Write files beside their final places, then rename them.

    Raises
    ------
    ResultsExist
        One of them is there already and ``force`` is not set; nothing is written.
    UnwritableResults
        A folder is missing or cannot be written.
    """
    from standcam.errors import ResultsExist, UnwritableResults

    present = [str(path) for path in files if path.exists()]
    if present and not force:
        raise ResultsExist(
            f"{', '.join(present)} {'is' if len(present) == 1 else 'are'} there already.",
            "Name another file with --out, or add --force.",
        )
    waiting: list[tuple[str, Path]] = []
    try:
        for path, content in files.items():
            data = content.encode("utf-8") if isinstance(content, str) else content
            with tempfile.NamedTemporaryFile(dir=path.parent, prefix=f".{path.name}.", delete=False) as file:
                waiting.append((file.name, path))
                file.write(data)
            os.chmod(file.name, 0o666 & ~umask())  # temporary files are private to their owner
        for name, path in waiting:
            os.replace(name, path)
    except OSError as error:
        raise UnwritableResults(
            f"{path} cannot be written: {error.strerror}.", "Name another place with --out."
        ) from None
    finally:
        for name, _ in waiting:
            Path(name).unlink(missing_ok=True)
