"""Marked photos of a run: drawn at the first look where what is drawn is known by then, else from small copies.

Gaps are classed against the theoretical spacing. Where that is given, they are known as soon as a photo is measured and
its pixels are at hand. They need not be those of the end: rows that several photos share, labels, or a later run with
another spacing may change them. So a picture goes with a digest of what was drawn in it, and is drawn anew where in the
end that is something else.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from standcam.aside import ByPhoto
from standcam.batch.pool import Spread
from standcam.images.photo import read_photo
from standcam.measure import Measurement
from standcam.report import overlay
from standcam.settings import OutputSettings, Settings
from standcam.spacing.nominal import Nominal, theoretical_spacing
from standcam.sums import gaps_and_rows

_PLAIN = bytes(hashlib.sha256().digest_size)
"""In the place of a digest: nothing is drawn in the picture yet."""


def first_view(small: np.ndarray, m: Measurement, settings: Settings, final: bool) -> bytes:
    """What is kept of a photo's pixels: the marked photo if it can be drawn already, else a small copy.

    Parameters
    ----------
    small : (h, w, 3) array
        Reduced copy of the photo.
    m : Measurement
    settings : Settings
    final : bool
        Whether what was measured stays as it is.
    """
    nominal = _known_beforehand(settings, final)
    if nominal is not None:
        try:
            gaps, rows = gaps_and_rows(m.positions, m.stretches, nominal, settings.spacing, settings.statistics)
            jpeg = overlay.mark_view(small, m, gaps, rows, settings.output)
            return _digest(m.photo, gaps, rows, settings.output) + jpeg
        except Exception:  # tried again in the end, and told of then
            pass
    return _PLAIN + overlay.pack_view(small)


def marked_photos(
    photos: Sequence[str],
    measurements: Sequence[Measurement],
    view_of: Callable[[int], bytes | None],
    gaps_of: ByPhoto,
    rows_of: ByPhoto,
    settings: Settings,
    final: bool,
    spread: Spread,
) -> Iterator[bytes | str]:
    """The marked photo of each, JPEG, or in words why it cannot be drawn.

    Parameters
    ----------
    photos : sequence of str
        Their names.
    measurements : sequence of Measurement
    view_of : callable
        Gives what :func:`first_view` gave of a photo, by its number; None where it is gone.
    gaps_of, rows_of : ByPhoto
        GAPS and ROWS.
    settings : Settings
    final : bool
        Whether measurements are as they were at the first look.
    spread : Spread
        Where to draw.
    """

    def is_drawn(k: int, photo: str) -> bool:
        digest = (view_of(k) or b"")[: len(_PLAIN)]
        return digest == _digest(photo, gaps_of[photo], rows_of[photo], settings.output)

    by_copy = _known_beforehand(settings, final) is None
    drawn = [not by_copy and is_drawn(k, photo) for k, photo in enumerate(photos)]
    jobs = (
        _Job(_small_copy(view_of(k)) if by_copy else None, measurements[k], gaps_of[photo], rows_of[photo])
        for k, photo in enumerate(photos)
        if not drawn[k]
    )
    fresh = spread.map(_Draw(settings, by_copy), jobs, _lost)
    for k in range(len(photos)):
        if drawn[k]:
            yield (view_of(k) or b"")[len(_PLAIN) :] or "it has gone from the disk"
        else:
            yield next(fresh)


def _known_beforehand(settings: Settings, final: bool) -> Nominal | None:
    """The theoretical spacing, where photos need not tell it and nothing changes what was measured."""
    nominal = theoretical_spacing(np.zeros(0), settings.spacing)
    return nominal if final and nominal.source != "unknown" else None


def _digest(photo: str, gaps: pd.DataFrame, rows: pd.DataFrame, output: OutputSettings) -> bytes:
    """Digest of all that is drawn in a photo beside what was measured in it."""
    shown = [[name, frame[name].tolist()] for frame, names in (
        (gaps, overlay.GAP_COLUMNS), (rows, overlay.HEAD_COLUMNS)) for name in names if name in frame]  # fmt: skip
    return hashlib.sha256(ascii([photo, output, shown]).encode("ascii")).digest()


def _small_copy(view: bytes | None) -> bytes | None:
    """JPEG of the small copy, where nothing is drawn in it."""
    return view[len(_PLAIN) :] if view is not None and view.startswith(_PLAIN) else None


@dataclass(frozen=True)
class _Job:
    view: bytes | None
    measurement: Measurement
    gaps: pd.DataFrame
    rows: pd.DataFrame


@dataclass(frozen=True)
class _Draw:
    """Draws one photo, anew from its file where there is no small copy; picklable."""

    settings: Settings
    by_copy: bool
    """Whether to draw in the small copy as it comes back from its JPEG, so that no picture hangs on where it was."""

    def __call__(self, job: _Job) -> bytes | str:
        m, output = job.measurement, self.settings.output
        try:
            if job.view is not None:
                return overlay.mark_view(job.view, m, job.gaps, job.rows, output)
            photo = read_photo(m.path, self.settings.photo)
            if photo.sha256 != m.sha256:
                return "the file has changed since"
            small = photo.reduced(output.marked_width_px)
            view = overlay.pack_view(small) if self.by_copy else small
            return overlay.mark_view(view, m, job.gaps, job.rows, output)
        except Exception as error:  # numbers are worth more than their picture
            return f"{type(error).__name__}: {error}"


def _lost(_: object) -> str:
    return "its process was ended, most likely for want of memory"
