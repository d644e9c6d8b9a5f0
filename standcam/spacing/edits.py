"""Edits by hand, kept beside the raw finds and replayed over them: nothing that was found is ever overwritten.

The edits of a results folder are one file of one JSON object a line, written at its end only. An edit names its
plant by photo and number, and carries places as they were along the row when it was made, so that replaying it needs
no picture. ``undo`` is an edit too: replaying the file is as if the undone edit had never been made. Edits know the
finds that they were made on; on other finds of the same photo (counted anew with other settings) they are not used.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from standcam import flags, tables, trust
from standcam.settings import SpacingSettings, StatisticsSettings
from standcam.summarise import summarise

EDITS = "edits.jsonl"
"""Name of the file in a results folder."""
JUDGEMENTS = ("crop", "weed", "nothing")
WHATS = ("add", "move", "judge", "seen", "undo")
"""add: a plant that was not found. move: another place. judge: crop, weed or nothing. seen: a person has gone
through the picture. undo: the edit of that id."""
HAND_SD_CM = 0.5
"""Standard error of a place that was clicked: a stem base is some millimetres wide (chosen by us). [cm]"""
KEYS = ["photo", "plot", "row"]
_BY_SUMMARISE = flags.bit("censored_ends", "no_population", "beyond_stretch", "error_drowns_sd", "nominal_estimated")
"""Flags that summarise sets itself on the row it gives."""


@dataclass(frozen=True)
class Edit:
    """One line of the file."""

    id: str
    when: str
    """UTC, ISO 8601."""
    who: str
    what: str
    """One of :data:`WHATS`."""
    photo: str = ""
    """As in PLANTS; a chain of photos has a name of its own."""
    picture: str = ""
    """Photo in which it was seen; of a chain, one of them."""
    plot: str = ""
    row: int = 0
    plant: int = 0
    """Number of the plant; an added plant's is above all found ones and never used again."""
    x_px: float = math.nan
    y_px: float = math.nan
    position_cm: float = math.nan
    """Along the row, from the start of its measured stretch; NaN without scale."""
    offset_cm: float = math.nan
    judged: str = ""
    """One of :data:`JUDGEMENTS`, of add and judge."""
    of: str = ""
    """Id of the edit that is undone."""
    finds: str = ""
    """:func:`finds_digest` of the photo."""

    def line(self) -> str:
        """JSON object in one line, without what is empty; a place of 0.0 is a place."""
        kept = {k: v for k, v in asdict(self).items() if (math.isfinite(v) if isinstance(v, float) else v)}
        return json.dumps(kept, ensure_ascii=True, allow_nan=False)


@dataclass(frozen=True)
class EditsFile:
    """What a file holds."""

    edits: tuple[Edit, ...] = ()
    notes: tuple[str, ...] = ()
    """Lines that were passed over, in sentences."""


def parse_edits(data: bytes) -> EditsFile:
    """Edits of a file's bytes, in order.

    A last line that was cut short, as by a crash while it was written, is passed over; so are lines that are no
    edits. Notes say so.
    """
    edits, damaged = [], []
    lines = data.split(b"\n")
    torn = False
    for number, raw in enumerate(lines, 1):
        if not raw.strip():
            continue
        edit = _edit(raw)
        if edit is not None:
            edits.append(edit)
        elif number == len(lines):
            torn = True
        else:
            damaged.append(number)
    notes = []
    if torn:
        notes.append(f"The last line of {EDITS} was cut short, as by a crash: that edit is not there.")
    if damaged:
        which = ", ".join(map(str, damaged[:5])) + (" and more" if len(damaged) > 5 else "")
        notes.append(f"{len(damaged)} of the lines of {EDITS} are no edits and are passed over: line {which}.")
    return EditsFile(tuple(edits), tuple(notes))


_TYPES: dict[str, type] = {
    "row": int, "plant": int, "x_px": float, "y_px": float, "position_cm": float, "offset_cm": float,
}  # fmt: skip


def _edit(raw: bytes) -> Edit | None:
    try:
        kept = json.loads(raw.decode("utf-8"))
        values: dict[str, Any] = {}
        for name, value in kept.items():
            if name not in Edit.__dataclass_fields__:
                continue  # a later version may say more
            kind = _TYPES.get(name, str)
            if isinstance(value, bool) or not isinstance(value, (int, float) if kind is float else kind):
                return None
            values[name] = kind(value)
            if kind is float and not math.isfinite(values[name]):
                return None
        edit = Edit(**values)
    except (ValueError, TypeError, AttributeError, RecursionError):
        return None
    return edit if edit.id and _sound(edit) else None


def _sound(edit: Edit) -> bool:
    placed = math.isfinite(edit.x_px) and math.isfinite(edit.y_px) and edit.row > 0
    if edit.what == "undo":
        return bool(edit.of)
    if edit.what == "seen":
        return bool(edit.picture)
    return bool(
        edit.photo
        and edit.plant > 0
        and (
            (edit.what == "add" and placed and edit.judged in ("crop", "weed"))
            or (edit.what == "move" and placed)
            or (edit.what == "judge" and edit.judged in JUDGEMENTS)
        )
    )


def live(edits: Sequence[Edit]) -> list[Edit]:
    """Edits that hold: neither undone nor undoings, in order. An undoing that is undone itself does nothing."""
    undone: set[str] = set()
    kept = []
    for edit in reversed(edits):  # an edit can only be undone by a later one
        if edit.id in undone:
            continue
        if edit.what == "undo":
            undone.add(edit.of)
        else:
            kept.append(edit)
    return kept[::-1]


def finds_digest(plants: pd.DataFrame) -> str:
    """Short hash of the raw finds of one photo, as read from plants.csv."""
    lines = [
        f"{r.plant} {r.row} {r.x_px:.2f} {r.y_px:.2f}"
        for r in plants[["plant", "row", "x_px", "y_px"]].sort_values("plant").itertuples()
    ]
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()[:16]


def next_number(plants: pd.DataFrame, edits: Iterable[Edit], photo: str) -> int:
    """Number for a plant to be added: above all found and all ever added, undone or not."""
    own = plants.loc[plants["photo"] == photo, "plant"]
    added = [e.plant for e in edits if e.what == "add" and e.photo == photo]
    return max([0, *own.tolist(), *added]) + 1


@dataclass(frozen=True)
class Tally:
    """What became of the edits, in plants."""

    added: int = 0
    taken_in: int = 0
    """Found, not counted at first, and counted now."""
    taken_out: int = 0
    moved: int = 0
    """Moved, and counted or not as before."""
    accepted: int = 0
    """A person said what they were taken for anyway; not among the edited."""
    renamed: int = 0
    """Still not counted, but something else: a doubtful one that is a weed, or nothing."""
    not_used: int = 0
    """Edits made on other finds, or on plants that are not there."""
    rows: frozenset[tuple[str, str, int]] = field(default_factory=frozenset)
    """Rows with any of these."""
    seen: frozenset[str] = field(default_factory=frozenset)
    """Pictures that were gone through."""

    @property
    def edited(self) -> int:
        """Plants that are not as they were found."""
        return self.added + self.taken_in + self.taken_out + self.moved + self.renamed

    def sentences(self) -> tuple[str, ...]:
        """For the screen and reports."""
        told = []
        if self.edited:
            parts = [
                f"{n} {word}"
                for n, word in (
                    (self.added, "added"), (self.taken_in, "found but not counted at first"),
                    (self.taken_out, "no longer counted"), (self.moved, "moved"),
                    (self.renamed, "not counted before or now"),
                )
                if n
            ]  # fmt: skip
            n = "1 plant" if self.edited == 1 else f"{self.edited} plants"
            told.append(f"{n} edited by hand: {', '.join(parts)}.")
        if self.accepted:
            told.append(f"{self.accepted} of the finds were looked at by hand and are right.")
        if self.not_used:
            n = "1 edit is" if self.not_used == 1 else f"{self.not_used} edits are"
            told.append(f"{n} not used: made on other finds, before the photos were counted anew.")
        return tuple(told)


def replay(plants: pd.DataFrame, edits: Sequence[Edit]) -> tuple[pd.DataFrame, Tally]:
    """Plants with the edits laid over them; what comes in is left as it is.

    Plants judged to be nothing stay, not counted; added ones that are taken away again go.

    Parameters
    ----------
    plants : DataFrame
        PLANTS, raw; further columns travel along.
    edits : sequence of Edit
        As read, undone ones and all.
    """
    raw = tables.conform(tables.PLANTS, plants)
    edits = live(edits)
    seen = frozenset(e.picture for e in edits if e.what == "seen")
    edits = [e for e in edits if e.what != "seen"]
    if not edits:
        return raw, Tally(seen=seen)
    touched = {e.photo for e in edits}
    own = raw[raw["photo"].isin(touched)]
    digests = {name: finds_digest(own[own["photo"] == name]) for name in touched}
    place = {(p, n): at for at, p, n in zip(own.index, own["photo"], own["plant"], strict=True)}
    changed: dict[int, dict[str, Any]] = {}
    added: dict[tuple[str, int], dict[str, Any]] = {}
    not_used, rows = 0, set()
    for e in edits:
        key = (e.photo, e.plant)
        at = place.get(key)
        fits = digests[e.photo] == e.finds
        if not fits or (e.what == "add") == (key in added or at is not None):
            not_used += 1
            continue
        if e.what == "add":
            added[key] = {"photo": e.photo, "plot": e.plot, "plant": e.plant, **_placed(e), **_judged(e.judged)}
            if "source_photo" in raw:
                added[key] |= {"source_photo": e.picture, "source_row": e.row, "seen": 1}
            rows.add((e.photo, e.plot, e.row))
            continue
        new = added[key] if at is None else changed.setdefault(at, {})
        before = new if at is None else {"plot": raw["plot"].iloc[at], "row": raw["row"].iloc[at]} | new
        rows.add((e.photo, str(before["plot"]), int(before["row"])))
        if e.what == "move":
            new |= {"plot": e.plot or str(before["plot"]), **_placed(e)}
            rows.add((e.photo, new["plot"], e.row))
        elif at is None and e.judged == "nothing":
            del added[key]
        else:
            new |= _judged(e.judged)
    out = raw.copy()
    for at, new in changed.items():
        new["flags"] = flags.words(flags.parse(raw["flags"].iloc[at]) | flags.bit("edited"))
    for name in dict.fromkeys(name for new in changed.values() for name in new):
        own_changes = {at: new[name] for at, new in changed.items() if name in new}
        values = out[name].tolist()
        for at, value in own_changes.items():
            values[at] = value
        out[name] = values
    out = tables.conform(tables.PLANTS, out)
    tally = _tally(raw, out, changed, added, not_used, frozenset(rows), seen)
    if added:
        extra = pd.DataFrame(list(added.values())).assign(flags="edited")
        # a new column of another dtype must not be guessed from no rows
        out = pd.concat([out, tables.conform(tables.PLANTS, extra)], ignore_index=True) if len(out) else extra
        order = np.argsort(pd.factorize(out["photo"])[0], kind="stable")
        out = out.iloc[order]
    return tables.conform(tables.PLANTS, out), tally


def _placed(e: Edit) -> dict[str, Any]:
    sd = HAND_SD_CM if math.isfinite(e.position_cm) else math.nan
    return {
        "row": e.row, "x_px": e.x_px, "y_px": e.y_px, "position_cm": e.position_cm, "offset_cm": e.offset_cm,
        "position_sd_cm": sd,
    }  # fmt: skip


def _judged(judged: str) -> dict[str, Any]:
    return {"judged": judged, "is_crop": judged == "crop", "crop_probability": float(judged == "crop")}


def _tally(
    raw: pd.DataFrame,
    out: pd.DataFrame,
    changed: Mapping[int, Mapping[str, Any]],
    added: Mapping[Any, Any],
    not_used: int,
    rows: frozenset[tuple[str, str, int]],
    seen: frozenset[str],
) -> Tally:
    n = dict.fromkeys(("taken_in", "taken_out", "moved", "renamed", "accepted"), 0)
    columns = [f[c].to_numpy() for c in ("is_crop", "judged") for f in (raw, out)]
    for at, new in changed.items():
        was, now, judged_before, judged = (values[at] for values in columns)
        kind = (
            "taken_in" if now and not was
            else "taken_out" if was and not now
            else "moved" if "x_px" in new
            else "accepted" if judged == judged_before or now
            else "renamed"
        )  # fmt: skip
        n[kind] += 1
    return Tally(added=len(added), not_used=not_used, rows=rows, seen=seen, **n)


@dataclass(frozen=True)
class Edited:
    """The tables of a results folder with its edits."""

    plants: pd.DataFrame
    gaps: pd.DataFrame
    rows: pd.DataFrame
    plots: pd.DataFrame
    tally: Tally
    notes: tuple[str, ...] = ()
    """Of the summary, beside those of the raw one."""


def apply_edits(
    plants: pd.DataFrame,
    gaps: pd.DataFrame,
    rows: pd.DataFrame,
    plots: pd.DataFrame,
    edits: Sequence[Edit],
    spacing: SpacingSettings,
    statistics: StatisticsSettings,
) -> Edited:
    """All tables as if the photos had shown what the edits say; without an edit that changes one, as they are.

    Every row is summarised anew, for the theoretical spacing may have to be learnt from all of them.

    Parameters
    ----------
    plants, gaps, rows, plots : DataFrame
        PLANTS, GAPS, ROWS and PLOTS, raw, with rows that were left out.
    edits : sequence of Edit
    spacing, statistics
        Settings of the run.
    """
    new_plants, tally = replay(plants, edits)
    if not tally.rows:
        return Edited(plants, gaps, rows, plots, tally)
    from standcam.spacing.positions import positions_from_plants

    stretches = stretches_again(rows, gaps, new_plants, tally.rows)
    summary = summarise(positions_from_plants(new_plants), stretches, spacing, statistics)
    touched = [(r.photo, r.plot, r.row) in tally.rows for r in rows[KEYS].itertuples()]
    words = [
        flags.words(flags.parse(w) | flags.bit("edited")) if t else w
        for w, t in zip(summary.rows["flags"], touched, strict=True)
    ]
    new_rows = summary.rows.assign(flags=words)
    for name in rows:
        if name not in new_rows:
            new_rows[name] = rows[name].to_numpy()
    more = [name for name in plots if name not in summary.plots]
    new_plots = summary.plots
    if more:
        new_plots = new_plots.merge(plots[["plot", *more]].drop_duplicates("plot"), on="plot", how="left")
    return Edited(new_plants, summary.gaps, new_rows, new_plots, tally, summary.notes)


def stretches_again(
    rows: pd.DataFrame, gaps: pd.DataFrame, plants: pd.DataFrame, touched: Iterable[tuple[str, str, int]]
) -> pd.DataFrame:
    """STRETCHES of measured rows, with counts and flags of those that were touched by hand as the plants are now.

    Parameters
    ----------
    rows, gaps : DataFrame
        ROWS and GAPS, raw.
    plants : DataFrame
        PLANTS as they are now.
    touched : iterable of (photo, plot, row)
    """
    begin = gaps.groupby(KEYS, sort=False)["from_cm"].min().reindex(pd.MultiIndex.from_frame(rows[KEYS])).to_numpy()
    scaled = ~rows["status"].isin(["no_scale", "no_row"]).to_numpy()
    begin = np.where(scaled, np.nan_to_num(begin), np.nan)
    touched = set(touched)
    by_row = dict(tuple(plants[plants["photo"].isin({k[0] for k in touched})].groupby(KEYS, sort=False)))
    nothing = plants[:0]
    bare = {
        photo
        for photo in {key[0] for key in touched}
        if not any(own["is_crop"].any() for key, own in by_row.items() if key[0] == photo)
    }
    counts, weeds, words, status = (rows[c].tolist() for c in ("plants", "weeds", "flags", "status"))
    for n, row in enumerate(rows[KEYS].itertuples(index=False)):
        bits = flags.parse(words[n]) & ~_BY_SUMMARISE
        if tuple(row) in touched:
            own = by_row.get(tuple(row), nothing)
            counts[n] = int(own["is_crop"].sum())
            weeds[n] = float((own["judged"] == "weed").sum())
            bits &= ~flags.bit("finds_unsure", "no_plants")
            if trust.finds_unsure(own[own["judged"].isin(["crop", "doubtful"])]):
                bits |= flags.bit("finds_unsure")
            if row.photo in bare:
                bits |= flags.bit("no_plants")
            if status[n] in ("ok", "empty"):
                status[n] = "ok" if counts[n] else "empty"
        words[n] = flags.words(bits)
    ends = {name: rows[name] for name in ("from_x_px", "from_y_px", "to_x_px", "to_y_px")}
    return tables.conform(
        tables.STRETCHES,
        pd.DataFrame(
            {
                **{name: rows[name] for name in KEYS},
                "from_cm": begin,
                "to_cm": begin + rows["row_length_cm"].to_numpy(float),
                "plants": counts,
                **ends,
                "status": status,
                "flags": words,
                "weeds": weeds,
            }
        ),
    )
