"""Reads every picture of a folder under a memory limit and says after each what became of it, see telling.py.

``python reader.py FOLDER LIMIT_BYTES [measure]``.
"""

import sys
from pathlib import Path

from telling import tell

from standcam.images.photo import read_photo
from standcam.images.quality import quality_flags
from standcam.images.reduce import reduce
from standcam.measure import measure_photo
from standcam.settings import Settings


def main(folder: Path, limit: int, measure: bool) -> None:
    settings = Settings()

    def read(path: Path) -> str:
        photo = read_photo(path)
        if measure:
            quality_flags(reduce(photo.rgb, 1600))
            measure_photo(photo, settings)
        return "ok"

    tell(folder, limit, read)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), "measure" in sys.argv[3:])
