"""Photos tied by links become chains: one row each, every plant once."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from standcam import flags, tables
from standcam.aside import Lines
from standcam.chain.links import ROW, Link, Piece, find_links, pieces_of
from standcam.chain.register import CHAINS, MARKS, SEAMS
from standcam.chain.words import chain_notes, line_key, loose_ends, more_chains, refusals
from standcam.settings import ChainSettings
from standcam.validation.match import match

TOLD = 5
"""Chains and refusals told one by one; of more the tables tell."""
SCALE_SHARE = 0.01
"""Error of a place grows with its distance from the board by about this share (boards read 1 cm long or short in a
metre; common practice, no source). Weighs the two places of a plant seen twice. [1]"""


@dataclass(frozen=True)
class Chains:
    """Which photos are joined, and how."""

    table: pd.DataFrame
    """CHAINS: one line a photo's row that is in a chain of two or more."""
    seams: pd.DataFrame
    """SEAMS: every tie that was looked at, refused ones too."""
    notes: tuple[str, ...]
    """What was joined and what was not, in sentences."""

    @property
    def any(self) -> bool:
        """Whether anything was joined."""
        return len(self.table) > 0


@dataclass(frozen=True)
class Joined:
    """Tables in which a chain is one row of one photo, whose name tells the first and the last."""

    plants: pd.DataFrame
    """PLANTS with source_photo, source_row, source_plant and seen (photos that show the plant) behind."""
    stretches: pd.DataFrame
    """STRETCHES"""


def find_chains(
    plants: pd.DataFrame,
    stretches: pd.DataFrame,
    marks: pd.DataFrame,
    settings: ChainSettings | None = None,
    group: Callable[[Piece], object] | None = None,
) -> Chains:
    """Photos of one plot that show parts of one row.

    Parameters
    ----------
    plants, stretches, marks : DataFrame
        PLANTS, STRETCHES and MARKS of all photos.
    settings : ChainSettings, optional
    group : callable, optional
        Only pieces of one group are joined; the plot by default.
    """
    finder = ChainFinder(settings, group)
    finder.add(plants, stretches, marks)
    return finder.chains()


class ChainFinder:
    """Looks for chains in one lot of photos after the other; photos of one group must come in one lot.

    Parameters
    ----------
    settings : ChainSettings, optional
    group : callable, optional
        As of :func:`find_chains`.
    """

    def __init__(self, settings: ChainSettings | None = None, group: Callable[[Piece], object] | None = None) -> None:
        self._settings, self._group = settings or ChainSettings(), group
        self._lines: list[dict[str, object]] = []
        self._told: list[list[str]] = []
        self._seams: list[pd.DataFrame] = []
        self._links: list[Link] = []
        self._more: tuple[list[str], list[str]] = [], []
        self._carried = 0

    def add(self, plants: pd.DataFrame, stretches: pd.DataFrame, marks: pd.DataFrame) -> Chains:
        """PLANTS, STRETCHES and MARKS of some photos; gives the chains among them, without notes."""
        settings, group = self._settings, self._group
        if not len(marks) and not settings.by_plants:
            return Chains(tables.empty(CHAINS), tables.empty(SEAMS), ())
        pieces = pieces_of(plants, stretches, marks)
        links, carried = find_links(pieces, settings, group)
        order = {key: n for n, key in enumerate(dict.fromkeys(p.key for p in pieces))}
        lines: list[dict[str, object]] = []
        refused: dict[int, str] = {}
        for members, used in _components(len(pieces), links, refused):
            placed = _placed(pieces, members, used)
            first = min(members, key=lambda n: order[pieces[n].key])
            if placed[first][0] < 0:
                placed = {n: (-d, -s) for n, (d, s) in placed.items()}
            begin = {n: min(s, s + d * pieces[n].length_cm) for n, (d, s) in placed.items()}
            zero = min(begin.values())
            along = sorted(members, key=lambda n: begin[n])
            name = f"{pieces[along[0]].photo}..{pieces[along[-1]].photo}"
            for n in along:
                piece, (direction, shift) = pieces[n], placed[n]
                lines.append(
                    dict(zip(ROW, piece.key, strict=True))
                    | {
                        "chain": name,
                        "chain_row": pieces[along[0]].row,
                        "direction": direction,
                        "shift_cm": shift - zero,
                        "from_cm": begin[n] - zero,
                        "to_cm": begin[n] - zero + piece.length_cm,
                        "mark_cm": piece.mark_cm,
                    }
                )
            self._told.append(chain_notes(pieces, along, used, begin, zero))
        links = [_with_refusal(link, refused.get(n, "")) for n, link in enumerate(links)]
        home = {key: line["chain"] for key, line in zip(map(line_key, lines), lines, strict=True)}
        for kept, said in zip(
            self._more, (refusals(pieces, links, home), loose_ends(pieces, home, group)), strict=True
        ):
            kept += said
        seams = _seam_table(pieces, links)
        self._lines += lines
        self._links += links
        self._seams += [seams] if links else []
        self._carried += carried
        return Chains(_chain_table(lines), seams, ())

    def chains(self) -> Chains:
        """All that were found, and what was not joined, in sentences."""
        lines, told, carried = self._lines, self._told, self._carried
        notes = [note for chain in told[:TOLD] for note in chain]
        if len(told) > TOLD:
            notes.append(more_chains(len(lines), len(told), self._links))
        for more in self._more:
            notes += more[:TOLD]
            if len(more) > TOLD:
                notes.append(f"And {len(more) - TOLD} more of the kind; see seams.csv and chains.csv.")
        if carried:
            which = "One plot shows" if carried == 1 else f"{carried} plots show"
            notes.append(
                f"{which} one and the same board in several photos, on the same stretch: taken for separate places "
                "with one board carried along, and not joined."
            )
        seams = pd.concat(self._seams, ignore_index=True) if self._seams else tables.empty(SEAMS)
        return Chains(_chain_table(lines), tables.conform(SEAMS, seams), tuple(notes))


def _chain_table(lines: list[dict[str, object]]) -> pd.DataFrame:
    return tables.conform(CHAINS, pd.DataFrame(lines)) if lines else tables.empty(CHAINS)


def _components(count: int, links: list[Link], refused: dict[int, str]) -> list[tuple[list[int], list[Link]]]:
    """Sets of two or more pieces that links tie, with these links. Strong links first, those against them refused."""
    parent = list(range(count))
    place: dict[int, tuple[int, float]] = {n: (1, 0.0) for n in range(count)}

    def root(n: int) -> int:
        while parent[n] != n:
            n = parent[n]
        return n

    members = {n: [n] for n in range(count)}
    used: dict[int, list[Link]] = {n: [] for n in range(count)}
    strength = [link.evidence if math.isfinite(link.evidence) else 0.0 for link in links]
    for n in sorted((n for n, link in enumerate(links) if link.joined), key=lambda n: -strength[n]):
        link = links[n]
        a, b = root(link.a), root(link.b)
        da, sa = place[link.a]
        db, sb = place[link.b]
        # chain place of b's zero by a: s_a + d_a * p_a with p_b = shift + g p_a
        direction = da * link.direction
        shift = sa - direction * link.shift_cm
        if a == b:
            if direction != db or abs(shift - sb) > 5.0:
                refused[n] = f"other photos have these two {abs(shift - sb):.0f} cm elsewhere"
            else:
                used[a].append(link)
            continue
        turn = direction * db
        for m in members[b]:
            d, s = place[m]
            place[m] = (turn * d, shift + turn * (s - sb))
        parent[b] = a
        members[a] += members.pop(b)
        used[a] += [*used.pop(b), link]
    return [(sorted(members[n]), used[n]) for n in members if len(members[n]) > 1]


def _placed(pieces: list[Piece], members: list[int], links: list[Link]) -> dict[int, tuple[int, float]]:
    """Direction and shift of each piece in the chain, all links having their say by their errors (least squares)."""
    direction = {members[0]: 1}
    waiting = [members[0]]
    while waiting:
        at = waiting.pop()
        for link in links:
            for here, there in ((link.a, link.b), (link.b, link.a)):
                if here == at and there not in direction:
                    direction[there] = direction[at] * link.direction
                    waiting.append(there)
    index = {n: i for i, n in enumerate(members)}
    A = np.zeros((len(links) + 1, len(members)))
    y = np.zeros(len(links) + 1)
    for k, link in enumerate(links):
        # s_a + d_a p_a = s_b + d_b (shift + g p_a)
        A[k, index[link.a]], A[k, index[link.b]] = 1 / link.sd_cm, -1 / link.sd_cm
        y[k] = direction[link.b] * link.shift_cm / link.sd_cm
    A[-1, 0] = 1.0
    shifts = np.linalg.lstsq(A, y, rcond=None)[0]
    return {n: (direction[n], float(shifts[index[n]])) for n in members}


def _with_refusal(link: Link, why: str) -> Link:
    return replace(link, joined=False, remark=why) if why else link


def _seam_table(pieces: list[Piece], links: list[Link]) -> pd.DataFrame:
    if not links:
        return tables.empty(SEAMS)
    return tables.conform(
        SEAMS,
        pd.DataFrame(
            {
                "photo": pieces[link.a].photo,
                "row": pieces[link.a].row,
                "next_photo": pieces[link.b].photo,
                "next_row": pieces[link.b].row,
                "plot": pieces[link.a].plot,
                "by": link.by,
                "overlap_cm": link.overlap_cm,
                "plants_both": link.both,
                "plants_one": link.one,
                "disagreement_mm": link.disagreement_mm,
                "scatter_mm": link.scatter_mm,
                "joined": link.joined,
                "remark": link.remark,
            }
            for link in links
        ),
    )


def join_rows(
    plants: pd.DataFrame, stretches: pd.DataFrame, chains: Chains, settings: ChainSettings | None = None
) -> Joined:
    """Tables with each chain as one row; rows in no chain stay as they are.

    A plant in two photos counts once, at the mean of its places weighed by their errors, which grow with the distance
    from the board. Where one photo has it as crop and the other as doubtful, the surer judgement holds. A plant that
    only one of two photos shows on their common stretch is kept, with the flag ``seam``.

    Parameters
    ----------
    plants, stretches : DataFrame
        PLANTS and STRETCHES of all photos.
    chains : Chains
        From :func:`find_chains`, or read back; their seams may be left empty.
    settings : ChainSettings, optional
    """
    settings = settings or ChainSettings()
    source = {"source_photo": plants["photo"], "source_row": plants["row"], "source_plant": plants["plant"]}
    plants = plants.assign(**source, seen=1)
    if not chains.any:
        return Joined(plants, stretches)
    keys = list(ROW)
    member = pd.MultiIndex.from_frame(chains.table[keys])
    loose = plants[~pd.MultiIndex.from_frame(plants[keys]).isin(member)]
    plants_of = {key: part for key, part in plants.groupby(keys, sort=False)}
    stretch_of = {tuple(line[k] for k in keys): line for line in stretches.to_dict("records")}
    bad_seams = _flagged(chains, settings)
    joined, lines = [], []
    at_first: dict[tuple[object, ...], int] = {}
    for (name, plot, row), part in chains.table.groupby(["chain", "plot", "chain_row"], sort=False):
        pieces = part.sort_values("from_cm", kind="stable")
        members = [tuple(key) for key in pieces[keys].itertuples(index=False, name=None)]
        merged = _merge(pieces, plants_of, settings)
        merged = merged.assign(photo=name, plot=plot, row=row)
        order = np.lexsort((merged["position_cm"], ~merged["is_crop"].to_numpy(bool)))
        merged = merged.iloc[order].assign(plant=np.arange(1, len(merged) + 1))
        joined.append(merged)
        told = [stretch_of[key] for key in members if key in stretch_of]
        bits = flags.bit("chained")
        for line in told:
            bits |= flags.parse(line["flags"])
        if any((a[0], a[2], b[0], b[2]) in bad_seams for a in members for b in members):
            bits |= flags.bit("seam_off")
        count = int(merged["is_crop"].sum())
        lines.append(
            {
                "photo": name,
                "plot": plot,
                "row": row,
                "from_cm": 0.0,
                "to_cm": float(pieces["to_cm"].max()),
                "plants": count,
                "status": "ok" if count else "empty",
                "flags": flags.words(bits),
                "weeds": float((merged["judged"] == "weed").sum()),
            }
            | {extra: told[0][extra] for extra in stretches if extra not in tables.STRETCHES.names and told}
        )
        at_first[(name, plot, row)] = min(list(stretch_of).index(key) for key in members)
    place = {key: n for n, key in enumerate(stretch_of)}
    rest = stretches[~pd.MultiIndex.from_frame(stretches[keys]).isin(member)]
    chained = tables.conform(tables.STRETCHES, pd.DataFrame(lines))
    both = pd.concat([rest, chained], ignore_index=True) if len(rest) else chained
    rank = [at_first.get(key, place.get(key, 0)) for key in both[keys].itertuples(index=False, name=None)]
    both = both.iloc[np.argsort(rank, kind="stable")].reset_index(drop=True)
    parts = [p for p in (loose, *joined) if len(p)]
    found = pd.concat(parts, ignore_index=True) if parts else plants.iloc[:0]
    return Joined(tables.conform(tables.PLANTS, found), tables.conform(tables.STRETCHES, both))


def design_of_chains(design: pd.DataFrame, plants: Lines) -> pd.DataFrame:
    """Lines of a plot map, by photo and row, with lines for chains: what is known of the first photo of each.

    Parameters
    ----------
    design : DataFrame
        With photo, and row where the map has it (empty or missing: any).
    plants : Lines
        PLANTS, with source_photo and source_row where something was joined.
    """
    names = ["photo", "row", "source_photo", "source_row"]
    found = []
    for part in plants.parts():
        if "source_photo" not in part or not len(design):
            return design
        own = part[part["photo"] != part["source_photo"]].sort_values("position_cm", kind="stable")
        found.append(own[names].drop_duplicates())
    joined = pd.concat(found, ignore_index=True)
    more = []
    rows = design["row"].astype("str").str.strip() if "row" in design else pd.Series("", index=design.index)
    any_row = rows.isna() | rows.isin(["", "nan", "<NA>", "None"])
    for (chain, row), part in joined.groupby(["photo", "row"], sort=False):
        for source, source_row in part[names[2:]].drop_duplicates().itertuples(index=False):
            own = design[(design["photo"] == source) & (any_row | (rows == str(source_row)))]
            if len(own):
                own = own.assign(photo=chain)
                named = ~any_row[own.index]
                if named.any():
                    kept = own["row"].copy()
                    kept[named] = str(row) if isinstance(kept[named].iloc[0], str) else row
                    own = own.assign(row=kept)
                more.append(own)
                break
    return pd.concat([design, *more], ignore_index=True) if more else design


def join_marks(marks: pd.DataFrame, chains: Chains) -> pd.DataFrame:
    """MARKS with those of a chain's photos on the chain; a corner seen twice at the mean of its places."""
    if not chains.any or not len(marks):
        return marks
    keys = list(ROW)
    lying = marks.merge(chains.table[[*keys, "chain", "chain_row", "direction", "shift_cm"]], on=keys, how="left")
    inside = lying["chain"].notna().to_numpy(bool)
    moved = lying[inside].assign(
        photo=lambda t: t["chain"],
        row=lambda t: t["chain_row"],
        position_cm=lambda t: t["shift_cm"] + t["direction"] * t["position_cm"],
        offset_cm=lambda t: t["direction"] * t["offset_cm"],
    )
    names = [*keys, "board", "marker", "corner"]
    moved = moved.groupby(names, sort=False, as_index=False)[["position_cm", "offset_cm"]].mean()
    return tables.conform(MARKS, pd.concat([lying.loc[~inside, MARKS.names], moved], ignore_index=True))


def _flagged(chains: Chains, settings: ChainSettings) -> set[tuple[str, int, str, int]]:
    seams = chains.seams[chains.seams["joined"].to_numpy(bool)] if len(chains.seams) else chains.seams
    bad = (seams["disagreement_mm"] > settings.seam_mm) | (seams["scatter_mm"] > settings.seam_mm)
    return {(s.photo, s.row, s.next_photo, s.next_row) for s in seams[bad].itertuples()}


def _merge(
    pieces: pd.DataFrame, plants_of: dict[tuple[object, ...], pd.DataFrame], settings: ChainSettings
) -> pd.DataFrame:
    """Plants of a chain's pieces, each once, at its place in the chain."""
    merged: pd.DataFrame | None = None
    before: list[tuple[float, float]] = []
    nobody = next(iter(plants_of.values())).iloc[:0] if plants_of else tables.empty(tables.PLANTS)
    for line in pieces.itertuples():
        part = plants_of.get((line.photo, line.plot, line.row), nobody)
        here = part["position_cm"].to_numpy(float)
        far = np.nan_to_num(np.abs(here - line.mark_cm) * SCALE_SHARE)
        sd = np.nan_to_num(part["position_sd_cm"].to_numpy(float), nan=0.5)
        part = part.assign(
            position_cm=line.shift_cm + line.direction * here,
            offset_cm=line.direction * part["offset_cm"],
            _variance=np.maximum(sd, 0.05) ** 2 + far**2,
        )
        if merged is None:
            merged = part.reset_index(drop=True)
        else:
            merged = _add(merged, part.reset_index(drop=True), (line.from_cm, line.to_cm), before, settings)
        before.append((line.from_cm, line.to_cm))
    assert merged is not None
    return merged.drop(columns="_variance")


def _add(
    old: pd.DataFrame,
    new: pd.DataFrame,
    stretch: tuple[float, float],
    before: list[tuple[float, float]],
    settings: ChainSettings,
) -> pd.DataFrame:
    """One piece more: its plants paired with those known, the rest added, loners on common stretches flagged."""
    merged = old.copy()
    i, j = _twice(old, new, settings.tolerance_cm)
    if len(i):
        va, vb = old["_variance"].to_numpy(float)[i], new["_variance"].to_numpy(float)[j]
        a, b = old["position_cm"].to_numpy(float)[i], new["position_cm"].to_numpy(float)[j]
        column = {name: merged.columns.get_loc(name) for name in merged}
        surer = np.abs(new["crop_probability"].to_numpy(float)[j] - 0.5) > np.abs(
            old["crop_probability"].to_numpy(float)[i] - 0.5
        )
        # a person's word stands
        told = [frame["flags"].str.contains("labelled").to_numpy(bool) for frame in (old, new)]
        surer = np.where(told[1][j] != told[0][i], told[1][j], surer)
        nearer = vb < va
        for name in ("crop_probability", "is_crop", "judged"):
            values = merged[name].to_numpy(copy=True)
            values[i[surer]] = new[name].to_numpy()[j[surer]]
            merged[name] = values
        for name in ("x_px", "y_px", "area_cm2", "offset_cm", "source_photo", "source_row", "source_plant"):
            values = merged[name].to_numpy(copy=True)
            values[i[nearer]] = new[name].to_numpy()[j[nearer]]
            merged[name] = values
        weight = vb / (va + vb)
        merged.iloc[i, column["position_cm"]] = weight * a + (1 - weight) * b
        merged.iloc[i, column["_variance"]] = va * vb / (va + vb)
        sa, sb = old["position_sd_cm"].to_numpy(float)[i], new["position_sd_cm"].to_numpy(float)[j]
        merged.iloc[i, column["position_sd_cm"]] = np.sqrt((weight * sa) ** 2 + ((1 - weight) * sb) ** 2)
        merged.iloc[i, column["seen"]] = merged["seen"].to_numpy()[i] + 1
        cut = [~frame["flags"].str.contains("at_edge").to_numpy(bool) for frame in (old, new)]
        clear = cut[1][j] & ~cut[0][i]
        words = merged["flags"].to_numpy(object).copy()
        words[i[clear]] = new["flags"].to_numpy(object)[j[clear]]
        merged["flags"] = words
    alone_old = np.setdiff1d(np.flatnonzero(old["is_crop"].to_numpy(bool)), i)
    alone_new = np.setdiff1d(np.flatnonzero(new["is_crop"].to_numpy(bool)), j)
    edge = settings.edge_cm
    place = old["position_cm"].to_numpy(float)[alone_old]
    lonely = alone_old[(place > stretch[0] + edge) & (place < stretch[1] - edge)]
    merged["flags"] = _flag(merged["flags"], lonely)
    place = new["position_cm"].to_numpy(float)[alone_new]
    common = np.zeros(len(place), bool)
    for low, high in before:
        common |= (place > low + edge) & (place < high - edge)
    rest = np.setdiff1d(np.arange(len(new)), j)
    new = new.assign(flags=_flag(new["flags"], alone_new[common]))
    return pd.concat([merged, new.iloc[rest]], ignore_index=True) if len(rest) else merged


def _twice(old: pd.DataFrame, new: pd.DataFrame, tolerance: float) -> tuple[np.ndarray, np.ndarray]:
    """Plants that are in both, as indices: crop among itself, what is left of it with doubtful finds, then the rest."""
    kinds = []
    for frame in (old, new):
        weed = frame["judged"].isin(["weed", "nothing"]).to_numpy(bool)
        crop = frame["is_crop"].to_numpy(bool)
        kinds.append({"crop": crop, "find": ~weed, "weed": weed & ~crop})
    # across too, but less strictly: the row lines of two photos differ by some cm
    at = [np.nan_to_num(f[["position_cm", "offset_cm"]].to_numpy(float)) * [1.0, 0.5] for f in (old, new)]
    i, j = np.empty(0, int), np.empty(0, int)
    for ours, theirs in (("crop", "crop"), ("crop", "find"), ("find", "crop"), ("find", "find"), ("weed", "weed")):
        a = np.setdiff1d(np.flatnonzero(kinds[0][ours]), i)
        b = np.setdiff1d(np.flatnonzero(kinds[1][theirs]), j)
        if len(a) and len(b):
            pairs = match(at[0][a], at[1][b], tolerance)
            i, j = np.r_[i, a[pairs.found]], np.r_[j, b[pairs.true]]
    return i, j


def _flag(words: pd.Series, which: np.ndarray) -> pd.Series:
    values = words.to_numpy(object).copy()
    for n in which:
        values[n] = flags.words(flags.parse(values[n]) | flags.bit("seam"))
    return pd.Series(values, index=words.index)
