"""What the page works on: one results folder, its photos as they stand with all edits, and new edits checked."""

from __future__ import annotations

import math
import secrets
import threading
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from standcam import flags, tables
from standcam.errors import BadResults, StandcamError
from standcam.report import wording
from standcam.report.csv_tables import read_table
from standcam.report.results import RUN
from standcam.review.log import EditsLog
from standcam.review.pictures import (
    Picture,
    Placed,
    doubtful,
    marked_bytes,
    original,
    picture_of,
    pictures,
    shown_as_it_is,
)
from standcam.spacing.edits import JUDGEMENTS, Edit, Edited, apply_edits, finds_digest, live, next_number


class NotDone(StandcamError):
    """An edit that the page asked for makes no sense; the reason is for the person at the page."""


class NoPicture(StandcamError):
    """Neither the photo nor a marked one that can be laid over its frame is there."""


class Desk:
    """A results folder under review. Safe to use from several threads.

    Parameters
    ----------
    folder : path
        Results of a count.
    who : str
        Name that stands in the edits.
    photos : path, optional
        Folder to look for the photos in, if they are no longer where they were.
    units : str, optional
        si or us, in place of those of the run.

    Raises
    ------
    BadResults, BadTable
        No results, or none of photos.
    """

    def __init__(
        self, folder: str | Path, who: str, photos: str | Path | None = None, units: str | None = None
    ) -> None:
        from standcam.report.folder import read_record

        self.folder, self.who = Path(folder), who
        self.photos = None if photos is None else Path(photos)
        run, self.settings = read_record(self.folder)
        self.settings = self.settings.replace("output", units=units)
        self.plants, self.gaps, self.rows, self.plots = (
            read_table(self.folder, table) for table in (tables.PLANTS, tables.GAPS, tables.ROWS, tables.PLOTS)
        )
        self.pictures = pictures(run, self.plants, self.rows)
        if not self.pictures:
            raise BadResults(
                f"{self.folder} holds no photos to look at.",
                f"Name the folder that standcam count wrote; photos are listed in its {RUN}.",
            )
        self.log = EditsLog(self.folder)
        self._digests: dict[str, str] = {}
        self._lock = threading.RLock()

    # ---- what the page shows

    def overview(self) -> dict[str, Any]:
        """All photos in the order of looking, and where the work stands."""
        with self._lock:
            file = self.log.read()
            seen = {e.picture for e in live(file.edits) if e.what == "seen"}
            names = picture_of(self.plants)
            unsure = names[doubtful(self.plants)].value_counts()
            return {
                "folder": self.folder.resolve().name,
                "who": self.who,
                "edits": len(file.edits),
                "notes": list(file.notes),
                "pictures": [
                    {"name": wording.printable(p.name), "seen": p.name in seen, "doubtful": int(unsure.get(p.name, 0)),
                     "trust": self._trust(p)}
                    for p in self.pictures
                ],
            }  # fmt: skip

    def picture(self, index: int) -> dict[str, Any]:
        """One photo with its finds as they stand now."""
        with self._lock:
            return self._state(index, self.log.read().edits)

    def counted_edits(self) -> int:
        """Lines of the file of edits: another page wrote if they are more than one knows of."""
        with self._lock:
            return len(self.log.read().edits)

    def picture_bytes(self, index: int, plain: bool = False) -> tuple[bytes, str]:
        """JPEG of a photo, of its frame exactly, and whether it is the original or, cut out, the marked one.

        Parameters
        ----------
        plain : bool
            Turn the photo upright and pack it anew, for browsers that read its orientation otherwise.

        Raises
        ------
        NoPicture
            Neither is there.
        """
        picture = self.pictures[index]
        found = original(picture, self.folder, self.photos)
        if found is not None:
            path, data = found
            if not plain and shown_as_it_is(data):
                return data, "original"
            packed = self._packed(path, picture)
            if packed is not None:
                return packed, "original"
        marked = marked_bytes(picture, self.folder)
        why = "and there is no marked one"
        if marked is not None:
            from standcam.report.overlay import pack_view
            from standcam.report.picture_place import picture_in

            cut = picture_in(marked, picture.width_px, picture.height_px)
            if cut is not None:
                return pack_view(cut), "marked"
            why = "and the marked one does not tell where in it the picture lies"
        raise NoPicture(
            f"{wording.printable(picture.name)} is not where it was, {why}: nothing can be edited unseen.",
            "End standcam review and name the folder of the photos with --photos.",
        )

    def sentences(self) -> tuple[str, ...]:
        """What was edited, for the end of the session."""
        return self._edited(None, self.log.read().edits).tally.sentences()

    # ---- what the page asks for

    def edit(self, index: int, asked: dict[str, Any]) -> dict[str, Any]:
        """Check and write one edit; gives the photo as it stands then.

        Raises
        ------
        NotDone
            The edit makes no sense; nothing was written.
        UnwritableResults
            It could not be written.
        """
        picture = self.pictures[index]
        with self._lock:
            edits = self.log.append(lambda known: [self._made(picture, asked, known)])
            return self._state(index, edits)

    def _made(self, picture: Picture, asked: dict[str, Any], known: Sequence[Edit]) -> Edit:
        what = asked.get("what")
        base = Edit(
            id=secrets.token_hex(6),
            when=datetime.now(UTC).isoformat(timespec="milliseconds"),
            who=self.who,
            what=str(what),
            picture=picture.name,
        )
        if what == "seen":
            return base
        if what in ("undo", "redo"):
            undo, redo = self._stacks(picture, known)
            stack = undo if what == "undo" else redo
            if not stack:
                raise NotDone(f"There is nothing to {what} of yours in this photo.")
            return replace(base, what="undo", of=stack[-1])
        if what == "add":
            row, position, offset, x, y = self._place(picture, asked)
            judged = str(asked.get("judged", "crop"))
            if judged not in ("crop", "weed"):
                raise NotDone("A plant that is added is crop or weed.")
            photo, plot, n = row.key
            return replace(
                base, photo=photo, plot=plot, row=n, plant=next_number(self.plants, known, photo), x_px=x, y_px=y,
                position_cm=position, offset_cm=offset, judged=judged, finds=self._digest(photo),
            )  # fmt: skip
        if what not in ("move", "judge"):
            raise NotDone("Edits are add, move, judge, seen, undo and redo.")
        plant = self._plant(picture, asked, known)
        photo = str(plant["photo"])
        base = replace(base, photo=photo, plant=int(plant["plant"]), finds=self._digest(photo))
        if what == "judge":
            if asked.get("judged") not in JUDGEMENTS:
                raise NotDone("A plant is judged crop, weed or nothing.")
            return replace(base, judged=str(asked["judged"]))
        row, position, offset, x, y = self._place(picture, asked)
        if row.key[0] != photo:
            raise NotDone("That place belongs to another row than the plant: remove it, and add one there.")
        return replace(
            base, plot=row.key[1], row=row.key[2], x_px=x, y_px=y, position_cm=position, offset_cm=offset
        )  # fmt: skip

    def _place(self, picture: Picture, asked: dict[str, Any]) -> tuple[Placed, float, float, float, float]:
        x, y = asked.get("x"), asked.get("y")
        good = [isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v) for v in (x, y)]
        if not all(good) or not (-0.5 <= x <= picture.width_px - 0.5 and -0.5 <= y <= picture.height_px - 0.5):  # type: ignore[operator]
            raise NotDone("That place is not in the photo.")
        x, y = round(float(x), 2), round(float(y), 2)  # type: ignore[arg-type]
        found = picture.nearest_row(x, y, self.settings.stems.weeds_reach_cm)
        if isinstance(found, str):
            raise NotDone(found)
        row, position, offset = found
        return row, round(position, 3), round(offset, 3), x, y

    def _plant(self, picture: Picture, asked: dict[str, Any], known: Sequence[Edit]) -> dict[str, Any]:
        now = self._edited(picture, known).plants
        at = (picture_of(now) == picture.name) & (now["plant"] == asked.get("plant"))
        if isinstance(asked.get("plant"), bool) or not at.any():
            raise NotDone("That plant is no longer there: somebody took it away.")
        return dict(now[at].iloc[0])

    # ---- inside

    def _stacks(self, picture: Picture, known: Sequence[Edit]) -> tuple[list[str], list[str]]:
        """Ids that undo and redo would undo, the next one last: this person's edits of this photo."""
        undo: list[str] = []
        redo: list[tuple[str, str]] = []
        for e in known:
            if e.picture != picture.name or e.who != self.who or e.what == "seen":
                continue
            if e.what != "undo":
                undo.append(e.id)
                redo.clear()
            elif e.of in undo:
                undo.remove(e.of)
                redo.append((e.of, e.id))
            else:
                again = [pair for pair in redo if pair[1] == e.of]
                for pair in again:
                    redo.remove(pair)
                    undo.append(pair[0])
        return undo, [pair[1] for pair in redo]

    def _digest(self, photo: str) -> str:
        if photo not in self._digests:
            self._digests[photo] = finds_digest(self.plants[self.plants["photo"] == photo])
        return self._digests[photo]

    def _keys(self, picture: Picture) -> set[str]:
        shown = self.plants[picture_of(self.plants) == picture.name]
        return {p.key[0] for p in picture.rows} | set(shown["photo"]) | {picture.name}

    def _edited(self, picture: Picture | None, known: Sequence[Edit]) -> Edited:
        """Tables of what a picture belongs to (or of all) with the edits: the same metrics as everywhere."""
        frames = [self.plants, self.gaps, self.rows]
        statistics, plots = self.settings.statistics, self.plots
        spacing = self.settings.spacing
        if picture is not None:
            keys = self._keys(picture)
            frames = [f[f["photo"].isin(keys)].reset_index(drop=True) for f in frames]
            known = [e for e in live(known) if e.photo in keys]
            # intervals are of no use for one photo, and the theoretical spacing is that of the whole run
            statistics = replace(statistics, resamples=10, min_trust="poor")
            plots = plots[plots["plot"].isin(frames[2]["plot"])]
            nominal = frames[2]["nominal_spacing_cm"].dropna()
            if len(nominal) and spacing.nominal_spacing_cm is None:
                spacing = replace(spacing, nominal_spacing_cm=float(nominal.iloc[0]))
        plants, gaps, rows = frames
        return apply_edits(plants, gaps, rows, plots, known, spacing, statistics)

    def _trust(self, picture: Picture) -> str:
        keys = {p.key for p in picture.rows}
        own = self.rows[[tuple(k) in keys for k in self.rows[["photo", "plot", "row"]].itertuples(index=False)]]
        grades = [g for g in flags.GRADES if g in set(own["trust"])]
        return grades[0] if grades else ""

    def _state(self, index: int, known: Sequence[Edit]) -> dict[str, Any]:
        picture = self.pictures[index]
        edited = self._edited(picture, known)
        now = edited.plants[picture_of(edited.plants) == picture.name]
        raw = self.plants[picture_of(self.plants) == picture.name].set_index("plant")
        unsure = doubtful(now)
        order = np.lexsort((now["position_cm"].fillna(0), now["y_px"].where(now["position_cm"].isna(), 0), now["row"]))
        finds = []
        for at in order:
            r = now.iloc[int(at)]
            bits = flags.parse(r["flags"])
            finds.append(
                {
                    "plant": int(r["plant"]), "row": int(r["row"]), "x": _plain(r["x_px"]), "y": _plain(r["y_px"]),
                    "position": _plain(r["position_cm"]), "p": _plain(r["crop_probability"]),
                    "judged": str(r["judged"]) or ("crop" if r["is_crop"] else "doubtful"),
                    "crop": bool(r["is_crop"]), "doubtful": bool(unsure[at]),
                    "edited": bool(bits & flags.bit("edited")), "added": int(r["plant"]) not in raw.index,
                    "flags": [m for m in flags.meanings(bits & ~flags.bit("edited"))],
                    "place": wording.spacing(r["position_cm"], self.settings.output.units),
                }
            )  # fmt: skip
        undo, redo = self._stacks(picture, known)
        done = any(e.what == "seen" and e.picture == picture.name for e in live(known))
        rows = [self._row(picture, row, edited) for row in picture.rows]
        reasons = list(dict.fromkeys(r for row in rows for r in row["trust_reasons"]))
        return {
            "index": index,
            "name": wording.printable(picture.name),
            "width": picture.width_px,
            "height": picture.height_px,
            "trust": self._trust(picture),
            "reasons": reasons,
            "can_place": picture.ground is not None and bool(picture.rows),
            "seen": done,
            "plants": finds,
            "rows": rows,
            "edited": list(edited.tally.sentences()),
            "edits": len(known),
            "undo": len(undo),
            "redo": len(redo),
        }

    def _row(self, picture: Picture, row: Placed, edited: Edited) -> dict[str, Any]:
        raw_row, new_row = (_one(frame, row.key) for frame in (self.rows, edited.rows))
        system = self.settings.output.units
        found, now = ([] if one is None else wording.row_words(one, system) for one in (raw_row, new_row))
        gaps = edited.gaps
        own = gaps[[tuple(k) == row.key for k in gaps[["photo", "plot", "row"]].itertuples(index=False)]]
        low, high = row.span_cm
        drawn = []
        for gap in own.itertuples():
            begin, end = max(float(gap.from_cm), low), min(float(gap.from_cm) + float(gap.gap_cm), high)
            if end > begin:
                kind = str(gap.kind)
                word = wording.missing_plants(kind) if kind.startswith("skip") else ""
                drawn.append({"kind": kind, "missing": word, "points": self._points(picture, row, begin, end)})
        return {
            "row": row.key[2],
            "name": f"Row {row.key[2]}",
            "line": self._points(picture, row, low, high, 24),
            "gaps": drawn,
            "found": found,
            "now": now,
            "changed": row.key in edited.tally.rows,
            "trust": "" if new_row is None else str(new_row.trust),
            "trust_reasons": [] if new_row is None or not new_row.trust_reasons else new_row.trust_reasons.split("; "),
        }

    def _points(self, picture: Picture, row: Placed, begin: float, end: float, n: int = 8) -> list[list[float]]:
        assert picture.ground is not None  # rows are placed by it
        px = picture.ground.to_pixels(row.points(np.linspace(begin, end, n)))
        return [[round(float(x), 1), round(float(y), 1)] for x, y in px if np.isfinite([x, y]).all()]

    def _packed(self, path: Path, picture: Picture) -> bytes | None:
        """Upright JPEG of a photo that browsers may not show."""
        from standcam.images.photo import read_photo
        from standcam.report.overlay import pack_view

        try:
            photo = read_photo(path, self.settings.photo)
        except StandcamError:
            return None
        return pack_view(photo.rgb) if photo.sha256 == picture.record.get("sha256") else None


def _one(frame: pd.DataFrame, key: tuple[str, str, int]) -> Any:
    at = (frame["photo"] == key[0]) & (frame["plot"] == key[1]) & (frame["row"] == key[2])
    return next(frame[at].itertuples(), None)


def _plain(value: Any) -> float | None:
    return float(value) if value is not None and math.isfinite(value) else None
