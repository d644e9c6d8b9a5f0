"""What worker processes need for tiles of a strip, loaded once before they fork off; imported by their server only."""

from __future__ import annotations

from standcam.quick_start import uncollected

with uncollected():
    import rasterio.windows  # noqa: F401
    import scipy.spatial  # noqa: F401

    import standcam.batch.strip_run
    import standcam.plants.networks  # noqa: F401
