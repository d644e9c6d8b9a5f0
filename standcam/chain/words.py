"""What was joined, and what was not, in sentences."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from standcam.chain.links import ROW, Link, Piece


def chain_notes(
    pieces: list[Piece], along: list[int], links: list[Link], begin: dict[int, float], zero: float
) -> list[str]:
    """One chain: which photos, how much neighbours share, how far boards and plants disagree, what to look at."""
    length = max(begin[n] + pieces[n].length_cm for n in along) - zero
    row = "" if pieces[along[0]].row == 1 else f" (row {pieces[along[0]].row})"
    names = [pieces[n].photo for n in along]
    said = [f"Joined {', '.join(names[:-1])} and {names[-1]}{row} into one row of {length / 100:.2f} m."]
    seams = []
    for link in sorted(links, key=lambda k: min(begin[k.a], begin[k.b])):
        off = "" if math.isnan(link.disagreement_mm) else f", off by {link.disagreement_mm:.0f} mm"
        alone = f", {link.one} in one only" if link.one else ""
        seams.append(
            f"{pieces[link.a].photo} and {pieces[link.b].photo} share {link.overlap_cm:.0f} cm by {link.by}, "
            f"{link.both} plants in both{alone}{off}"
        )
    said.append("; ".join(seams) + ".")
    doubts: dict[str, list[str]] = {}
    for link in links:
        if link.remark:
            doubts.setdefault(link.remark, []).append(f"{pieces[link.a].photo} and {pieces[link.b].photo}")
    said += [f"Look at the seam of {'; of '.join(seams_)}: {remark}." for remark, seams_ in doubts.items()]
    return said


def more_chains(photos: int, chains: int, links: list[Link]) -> str:
    """Many chains together."""
    seams = [link for link in links if link.joined]
    doubtful = sum(bool(link.remark) for link in seams)
    off = [link.disagreement_mm for link in seams if math.isfinite(link.disagreement_mm)]
    middle = f", off by {np.median(off):.0f} mm in the middle and {max(off):.0f} mm at most" if off else ""
    return (
        f"In all {photos} rows of photos were joined into {chains} rows by {len(seams)} seams{middle}; "
        f"{doubtful} of them are to be looked at. See seams.csv."
    )


def refusals(pieces: list[Piece], links: list[Link], home: dict[tuple[object, ...], object]) -> list[str]:
    """Ties not made, those that carry one board from place to place in one sentence a plot."""
    told: dict[tuple[str, str], list[Link]] = {}
    for link in links:
        ends = home.get(pieces[link.a].key), home.get(pieces[link.b].key)
        if not link.joined and (ends[0] is None or ends[0] != ends[1]):
            kind = link.remark if link.overlap_cm >= 0 and not link.remark[:1].isdigit() else f"{link.a} {link.b}"
            told.setdefault((pieces[link.a].plot, kind), []).append(link)
    said = []
    for (plot, _), group in told.items():
        link = group[0]
        more = f" (and {len(group) - 1} more pairs of plot {plot})" if len(group) > 1 else ""
        said.append(
            f"{pieces[link.a]} and {pieces[link.b]} both show {link.by} and are not joined{more}: {link.remark}."
        )
    return said


def loose_ends(
    pieces: list[Piece], home: dict[tuple[object, ...], object], group: Callable[[Piece], object] | None
) -> list[str]:
    """Plots of which some photos are joined and others not."""
    groups: dict[object, list[Piece]] = {}
    for piece in pieces:
        if piece.row == 1:
            groups.setdefault(piece.plot if group is None else group(piece), []).append(piece)
    said = []
    for members in groups.values():
        names = list(dict.fromkeys(str(home.get(p.key, p.photo)) for p in members))
        if any(p.key in home for p in members) and len(names) > 1:
            said.append(
                f"Plot {members[0].plot} is in {len(names)} pieces that nothing ties together: {', '.join(names)}. "
                "They stay rows of their own; between them nothing is measured."
            )
    return said


def line_key(line: dict[str, object]) -> tuple[object, ...]:
    """Photo, plot and row of a line of CHAINS."""
    return tuple(line[name] for name in ROW)
