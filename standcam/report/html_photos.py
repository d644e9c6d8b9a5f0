"""Marked photos as small pictures in the report page: all of a few, of many only the doubtful ones."""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import numpy as np

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


@dataclass(frozen=True, slots=True)
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
    rank_of = _ranks(rows)
    names = [str(i.get("photo", "")) for i in inputs]
    rank = np.array([rank_of.get(name, len(flags.GRADES)) for name in names], np.int8)
    order = np.argsort(rank, kind="stable")  # in the order of the run within a grade

    def photos(some: np.ndarray) -> Iterator[Photo]:
        own = rows[rows["photo"].isin({names[k] for k in some.tolist()})]
        lines_of = own.groupby("photo", sort=False).indices
        for k in some.tolist():
            yield _photo(inputs[k], own.take(lines_of.get(names[k], [])), system)

    few = len(names) <= FEW
    doubtful = order[: int((rank < len(flags.GRADES) - 1).sum())]
    wanted = order if few else doubtful
    shown: dict[int, Photo] = {}
    used = 0
    for k, photo in zip(wanted[:MOST_PICTURES].tolist(), photos(wanted[:MOST_PICTURES]), strict=True):
        whole = picture(_marked_name(photo)) if photo.link else None
        small = None if whole is None else small_jpeg(whole, _WIDE if few else _NARROW)
        if small is None:
            continue
        used += len(small)
        if used > MOST_BYTES:
            break
        uri = f"data:image/jpeg;base64,{base64.b64encode(small).decode('ascii')}"
        shown[k] = replace(photo, data=uri)
    links = order[~np.isin(order, list(shown))]
    return {
        "shown": list(shown.values()),
        "all": few,
        "doubtful": len(doubtful),
        "links": list(photos(links[:MOST_LINKS])),
        "more": max(0, len(links) - MOST_LINKS),
        "total": len(names),
    }


def _ranks(rows: pd.DataFrame) -> dict[str, int]:
    """Grade of the least trusted row of each photo, by its place in ``GRADES``; one behind them for none."""
    rank = rows["trust"].map({grade: n for n, grade in enumerate(flags.GRADES)}).fillna(len(flags.GRADES))
    return {str(photo): int(n) for photo, n in rank.groupby(rows["photo"], sort=False).min().items()}


def _photo(record: Mapping[str, Any], rows: pd.DataFrame, system: str) -> Photo:
    marked = str(record.get("marked") or "")
    words, grade = "no row", ""
    reasons: tuple[str, ...] = ()
    if len(rows):
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
