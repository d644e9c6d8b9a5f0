"""Marked photos as small pictures in the report page: all of a few, of many only the doubtful ones."""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from standcam import flags
from standcam.report import wording

if TYPE_CHECKING:
    import pandas as pd

FEW = 12
"""Photos up to this number are all shown, and larger."""
MOST_PICTURES = 48
MOST_BYTES = 3_000_000
"""Of all pictures together, before they are written as text, which makes a third more."""
MOST_LINKS = 2_000
_WIDE, _NARROW = 900, 640
_QUALITY = 62


@dataclass(frozen=True)
class Photo:
    """One photo of the list."""

    name: str
    link: str
    """Place of the marked photo beside the page; empty where there is none."""
    words: str
    grade: str
    reasons: tuple[str, ...]
    data: str = ""
    """Small copy as data URI; empty for a mere link."""


def photo_list(
    inputs: Sequence[Mapping[str, Any]], rows: pd.DataFrame, picture: Callable[[str], bytes | None], system: str
) -> dict[str, Any]:
    """Photos for the page, the least trusted first.

    Parameters
    ----------
    inputs : sequence of mapping
        Inputs of run.json: photo, and the name of the marked photo.
    rows : DataFrame
        ROWS.
    picture : callable
        Gives the bytes of a marked photo by its name, or None.
    system : str
        si or us.

    Returns
    -------
    dict
        shown (with pictures), doubtful (how many there are), links (without), more (not even listed).
    """
    rows_of = dict(tuple(rows.groupby("photo", sort=False)))
    photos = [_photo(i, rows_of.get(str(i.get("photo", ""))), system) for i in inputs]
    rank = {grade: n for n, grade in enumerate(flags.GRADES)}
    photos.sort(key=lambda p: rank.get(p.grade, len(rank)))  # stable: in the order of the run within a grade
    doubtful = [p for p in photos if p.grade in flags.GRADES[:-1]]
    few = len(photos) <= FEW
    wanted = photos if few else doubtful
    shown: list[Photo] = []
    used = 0
    for photo in wanted[:MOST_PICTURES]:
        whole = picture(_marked_name(photo)) if photo.link else None
        small = None if whole is None else small_jpeg(whole, _WIDE if few else _NARROW)
        if small is None:
            continue
        used += len(small)
        if used > MOST_BYTES:
            break
        uri = f"data:image/jpeg;base64,{base64.b64encode(small).decode('ascii')}"
        shown.append(Photo(photo.name, photo.link, photo.words, photo.grade, photo.reasons, uri))
    names = {p.name for p in shown}
    links = [p for p in photos if p.name not in names]
    return {
        "shown": shown,
        "all": few,
        "doubtful": len(doubtful),
        "links": links[:MOST_LINKS],
        "more": max(0, len(links) - MOST_LINKS),
        "total": len(photos),
    }


def _photo(record: Mapping[str, Any], rows: pd.DataFrame | None, system: str) -> Photo:
    marked = str(record.get("marked") or "")
    words, grade = "no row", ""
    reasons: tuple[str, ...] = ()
    if rows is not None and len(rows):
        parts = [f"row {r.row}: {' '.join(wording.row_words(r, system)[:3]).rstrip(',')}" for r in rows.itertuples()]
        words = "; ".join(parts)
        grades = [g for g in flags.GRADES if (rows["trust"] == g).any()]
        grade = grades[0] if grades else ""
        told = "; ".join(rows.loc[rows["trust"] == grade, "trust_reasons"])
        reasons = tuple(dict.fromkeys(part.strip() for part in told.split(";") if part.strip()))
    # names that are no valid Unicode keep their bytes
    link = f"marked/{quote(marked, safe='', errors='surrogateescape')}" if marked else ""
    return Photo(str(record.get("photo", "")), link, words, grade, reasons)


def _marked_name(photo: Photo) -> str:
    from urllib.parse import unquote

    return unquote(photo.link.removeprefix("marked/"), errors="surrogateescape")


def small_jpeg(picture: bytes, longer_px: int) -> bytes | None:
    """A JPEG or PNG as JPEG, its longer side no longer than this; None where it cannot be read."""
    import cv2
    import numpy as np

    whole = cv2.imdecode(np.frombuffer(picture, np.uint8), cv2.IMREAD_COLOR)
    if whole is None:
        return None
    ratio = longer_px / max(whole.shape[:2])
    small = whole if ratio >= 1 else cv2.resize(whole, None, fx=ratio, fy=ratio, interpolation=cv2.INTER_AREA)
    done, data = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
    return data.tobytes() if done else None
