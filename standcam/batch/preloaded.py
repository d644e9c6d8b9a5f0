"""What worker processes need, loaded once before they fork off; imported by nothing but their server."""

from __future__ import annotations

from standcam.quick_start import uncollected

with uncollected():
    import pillow_heif  # noqa: F401
    from PIL import Image, TiffImagePlugin  # noqa: F401

    import standcam.batch.run
    import standcam.plants.heat  # noqa: F401

    Image.preinit()
