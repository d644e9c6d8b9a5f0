"""Which photos show parts of one row, and how they lie to each other: by boards seen in both, checked by plants.

A marker seen in two photos ties their rows: its corners have a place along and across each row. The rows are the same
row if the corners lie as far across in both; the direction follows from how the marker is turned, the shift from the
corners' places along. Then the plants have their say. Where both photos show some, they must fall together, else the
board was moved between the photos; where they do, they place the photos on each other more finely than the board,
which lies above the furrow and beside the row.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from standcam.settings import ChainSettings
from standcam.validation.match import match

ROW = ("photo", "plot", "row")
BOARD_ODDS = 3.0
"""Log odds for one place that two photos of a plot bring with them that show one board, the same far across their rows,
in a plot with other boards too: 20 to 1, chosen by us. Plants must speak against them louder than this."""
_SIGMAS_CM = np.array([0.2, 0.35, 0.6, 1.0, 1.6])
"""Scatter of plants seen twice that is averaged over. [cm]"""


@dataclass(frozen=True)
class Piece:
    """A measured row of one photo."""

    photo: str
    plot: str
    row: int
    length_cm: float
    crop_cm: np.ndarray
    """Places of its crop plants. (n,)"""
    doubt_cm: np.ndarray
    """Places of finds that may be crop and are not counted. (k,)"""
    marks: Mapping[tuple[str, int], tuple[float, float]] = field(default_factory=dict)
    """Marker and corner to place along and across. [cm]"""
    boards: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """Boards seen whole: name on the print to the middle's place along, and the way its print runs (1 with the row, -1
    against it)."""
    board_of: Mapping[str, str] = field(default_factory=dict)
    """Marker to the name of its board; empty text where the board has none."""

    @property
    def key(self) -> tuple[str, str, int]:
        """Photo, plot, row."""
        return self.photo, self.plot, self.row

    @property
    def mark_cm(self) -> float:
        """Middle of the markers along the row; NaN without. [cm]"""
        return float(np.mean([p for p, _ in self.marks.values()])) if self.marks else math.nan

    def __str__(self) -> str:
        return self.photo if self.row == 1 else f"{self.photo}, row {self.row},"


@dataclass(frozen=True)
class Link:
    """How piece ``b`` lies to piece ``a``: ``place in b = shift + direction * place in a``."""

    a: int
    b: int
    direction: int
    shift_cm: float
    sd_cm: float
    by: str
    overlap_cm: float
    both: int = 0
    one: int = 0
    disagreement_mm: float = math.nan
    scatter_mm: float = math.nan
    joined: bool = True
    remark: str = ""
    correction_cm: float = 0.0
    """What the plants added to the shift that boards gave. [cm]"""
    few: bool = False
    """Too few plants on the common stretch to tell whether it is one."""
    evidence: float = math.nan
    """Log odds, by plants, of lying so against being different places. NaN where too few plants tell."""


def pieces_of(plants: pd.DataFrame, stretches: pd.DataFrame, marks: pd.DataFrame) -> list[Piece]:
    """Measured rows that have a length, in the order of the stretches."""
    plants_of = {key: part for key, part in plants.groupby(list(ROW), sort=False)}
    marks_of = {key: part for key, part in marks.groupby(list(ROW), sort=False)}
    found = []
    for line in stretches.itertuples():
        length = float(line.to_cm) - float(line.from_cm)
        if line.status not in ("ok", "empty") or not length > 0:
            continue
        key = (line.photo, line.plot, line.row)
        part, mark = plants_of.get(key), marks_of.get(key)
        crop = doubt = np.zeros(0)
        if part is not None:
            place = part["position_cm"].to_numpy(float)
            is_crop = part["is_crop"].to_numpy(bool) & np.isfinite(place)
            crop = np.sort(place[is_crop])
            doubt = place[(part["judged"] == "doubtful").to_numpy(bool) & ~is_crop & np.isfinite(place)]
        seen: dict[tuple[str, int], tuple[float, float]] = {}
        boards: dict[str, tuple[float, float]] = {}
        board_of: dict[str, str] = {}
        if mark is not None:
            mark = mark[np.isfinite(mark["position_cm"]) & np.isfinite(mark["offset_cm"])]
            seen = {
                (str(m.marker), int(m.corner)): (float(m.position_cm), float(m.offset_cm)) for m in mark.itertuples()
            }
            boards = _whole_boards(mark)
            board_of = dict(zip(mark["marker"].astype(str), mark["board"].astype(str), strict=True))
        key_words = str(line.photo), str(line.plot), int(line.row)
        found.append(Piece(*key_words, length, crop, doubt, seen, boards, board_of))
    return found


def _whole_boards(marks: pd.DataFrame) -> dict[str, tuple[float, float]]:
    boards = {}
    for name, part in marks[marks["board"] != ""].groupby("board"):
        if part["marker"].nunique() < 4:  # the middle of three markers is not the board's
            continue
        way = part[part["corner"] == 1]["position_cm"].mean() - part[part["corner"] == 0]["position_cm"].mean()
        boards[str(name)] = (float(part["position_cm"].mean()), math.copysign(1.0, way))
    return boards


def find_links(
    pieces: list[Piece], settings: ChainSettings | None = None, group: Callable[[Piece], object] | None = None
) -> tuple[list[Link], int]:
    """Links between pieces of one group: those to join, and those that look like links and are refused.

    Given with how many groups show one board only, on the same stretch of several photos: a board carried along.

    Parameters
    ----------
    pieces : list of Piece
    settings : ChainSettings, optional
    group : callable, optional
        Only pieces of one group are tied; the plot by default.
    """
    settings = settings or ChainSettings()
    groups: dict[object, list[int]] = {}
    for n, piece in enumerate(pieces):
        groups.setdefault(piece.plot if group is None else group(piece), []).append(n)
    links: list[Link] = []
    carried = 0
    for members in groups.values():
        markers = [{marker for marker, _ in pieces[n].marks} for n in members]
        # no photo shows another board than the others: the board may have been carried along
        alone = bool(markers) and set().union(*markers) == max(markers, key=len)
        found = []
        apart = 0
        for i, a in enumerate(members):
            for b in members[i + 1 :]:
                if pieces[a].photo == pieces[b].photo or not settings.boards | bool(settings.board_at_cm):
                    continue
                link = by_board(pieces, a, b, settings) if settings.boards else None
                if link is None and settings.board_at_cm:
                    link = _by_places(pieces, a, b, settings)
                if link is None:
                    continue
                if alone and link.overlap_cm > settings.most_shared * min(pieces[a].length_cm, pieces[b].length_cm):
                    apart += 1  # what every sample with a board beside its row looks like: no seam
                else:
                    found.append(_checked(pieces, link, settings, alone))
        carried += apart > 0
        bias = _usual_correction(pieces, found)
        found = [
            _by_few(pieces, link, bias, settings, alone)
            if link.few
            else link
            if link.joined or link.overlap_cm < 0 or not bias
            else _again(pieces, link, bias, settings, alone)
            for link in found
        ]
        if settings.by_plants:
            found += _by_plants(pieces, members, found, settings)
        links += found
    return links, carried


def by_board(pieces: list[Piece], a: int, b: int, settings: ChainSettings) -> Link | None:
    """The link that common markers make, None where there are none or the rows are not one row."""
    shared = sorted(set(pieces[a].marks) & set(pieces[b].marks))
    names = sorted({marker for marker, _ in shared}, key=lambda m: (len(m), m))
    if len(shared) < 4:
        return None
    at = np.array([pieces[a].marks[key] for key in shared])
    to = np.array([pieces[b].marks[key] for key in shared])
    p, q = at - at.mean(0), to - to.mean(0)
    turn = math.atan2(float((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum()), float((p * q).sum()))
    direction = 1 if math.cos(turn) > 0 else -1
    askew = abs(math.degrees(turn)) if direction == 1 else 180 - abs(math.degrees(turn))
    across = float((to[:, 1] - direction * at[:, 1]).mean())
    if abs(across) > settings.across_cm or askew > settings.turn_deg:
        return None
    shift = float((to[:, 0] - direction * at[:, 0]).mean())
    overlap = _overlap(pieces[a], pieces[b], direction, shift)
    by = _board_words(pieces[a], names)
    return Link(a, b, direction, shift, settings.board_sd_cm, by, overlap[1] - overlap[0])


def _board_words(piece: Piece, markers: list[str]) -> str:
    named = list(dict.fromkeys(piece.board_of.get(marker, "") for marker in markers))
    if all(named):
        return " and ".join(named)
    return f"marker{'s' if len(markers) > 1 else ''} {', '.join(markers)}"


def _by_places(pieces: list[Piece], a: int, b: int, settings: ChainSettings) -> Link | None:
    """The link that two boards at known places of the row make."""
    places = settings.places()
    options = []
    for name, (at, way) in pieces[a].boards.items():
        for other, (to, other_way) in pieces[b].boards.items():
            if name in places and other in places and name != other:
                options.append((abs(places[other] - places[name]), name, other, at, to, way, other_way))
    if not options:
        return None
    # boards are numbered along the row and laid alike, so that the print's way tells the photo's
    _, name, other, at, to, way, other_way = min(options)
    # place on the tape = place of the board + way * (place - place of the board in the photo)
    direction = int(way * other_way)
    shift = to + other_way * (places[name] - places[other]) - direction * at
    overlap = _overlap(pieces[a], pieces[b], direction, shift)
    by = f"{name} and {other} at known places"
    return Link(a, b, direction, shift, settings.board_sd_cm * math.sqrt(2), by, overlap[1] - overlap[0])


def _overlap(a: Piece, b: Piece, direction: int, shift: float) -> tuple[float, float]:
    """Common stretch, on the scale of b; an end below its beginning where there is none. [cm]"""
    ends = sorted((shift, shift + direction * a.length_cm))
    return max(ends[0], 0.0), min(ends[1], b.length_cm)


@dataclass(frozen=True)
class _Fit:
    """Plants of two pieces laid over each other with a correction of the shift."""

    correction: float
    both: int
    one: int
    rms: float
    evidence: float


def _fit(a: Piece, b: Piece, link: Link, correction: float, settings: ChainSettings) -> _Fit:
    low, high = _overlap(a, b, link.direction, link.shift_cm + correction)
    moved = link.shift_cm + correction + link.direction * a.crop_cm
    doubt = link.shift_cm + correction + link.direction * a.doubt_cm
    ours, theirs = _within(moved, low, high), _within(b.crop_cm, low, high)
    # partners may lie just beyond the common stretch, or be finds not counted
    pairs = match(np.r_[moved, doubt], np.r_[b.crop_cm, b.doubt_cm], settings.tolerance_cm)
    n, m = len(moved), len(b.crop_cm)
    counted = (pairs.found < n) & (pairs.true < m)
    inside = low - settings.tolerance_cm, high + settings.tolerance_cm
    places = np.r_[moved, doubt]
    residual = np.r_[b.crop_cm, b.doubt_cm][pairs.true] - places[pairs.found]
    near = counted & (places[pairs.found] >= inside[0]) & (places[pairs.found] <= inside[1])
    k = int(near.sum())
    edge = settings.edge_cm
    alone = np.setdiff1d(np.flatnonzero(_between(moved, low + edge, high - edge)), pairs.found)
    alone_b = np.setdiff1d(np.flatnonzero(_between(b.crop_cm, low + edge, high - edge)), pairs.true)
    one = len(alone) + len(alone_b)
    r = residual[near]
    length = max(high - low, 1e-6)
    density = max(len(ours) + len(theirs), 1) / 2 / length
    share = settings.alone_share
    if not k and not one:
        return _Fit(correction, 0, 0, math.nan, 0.0)
    offset = r.mean() if k else 0.0
    squares = float(((r - offset) ** 2).sum())
    per_pair = np.log((1 - share) / (density * _SIGMAS_CM * math.sqrt(2 * math.pi)))
    prior = np.log(np.minimum(1, _SIGMAS_CM * math.sqrt(2 * math.pi / max(k, 1)) / (2 * settings.reach_cm)))
    # chance that a plant of another place finds no partner is exp(-2 density tolerance)
    alone_odds = math.log(share) + 2 * density * settings.tolerance_cm
    sums = k * per_pair - squares / (2 * _SIGMAS_CM**2) + (prior if k else 0.0)
    evidence = float(np.logaddexp.reduce(sums) - math.log(len(_SIGMAS_CM))) + one * min(alone_odds, -0.5)
    rms = math.sqrt(squares / max(k - 1, 1)) if k > 1 else math.nan
    return _Fit(correction + (float(offset) if k else 0.0), k, one, rms, evidence)


def _between(x: np.ndarray, low: float, high: float) -> np.ndarray:
    return (x >= low) & (x <= high)


def _within(x: np.ndarray, low: float, high: float) -> np.ndarray:
    return x[_between(x, low, high)]


def _best_fit(a: Piece, b: Piece, link: Link, settings: ChainSettings) -> _Fit:
    """The correction that the plants like best, within the reach."""
    steps = np.arange(-settings.reach_cm, settings.reach_cm + 0.01, 0.5)
    best = _fit(a, b, link, 0.0, settings)
    for step in steps:
        fit = _fit(a, b, link, float(step), settings)
        if fit.evidence > best.evidence + 1e-9:
            best = fit
    for _ in range(3):
        if not best.both or abs(best.correction) > settings.reach_cm:
            break
        again = _fit(a, b, link, best.correction, settings)
        if again.both < best.both or abs(again.correction - best.correction) < 1e-6:
            break
        best = again
    return best


def _checked(pieces: list[Piece], link: Link, settings: ChainSettings, alone: bool) -> Link:
    """The link with the plants' word on it. ``alone``: no photo of the group shows another board."""
    a, b = pieces[link.a], pieces[link.b]
    if link.overlap_cm < 0:
        return replace(
            link,
            joined=False,
            remark=f"{-link.overlap_cm:.0f} cm of row between them were not measured: take a photo of that piece",
        )
    low, high = _overlap(a, b, link.direction, link.shift_cm)
    edge = settings.edge_cm
    seen = max(
        len(_within(link.shift_cm + link.direction * a.crop_cm, low + edge, high - edge)),
        len(_within(b.crop_cm, low + edge, high - edge)),
    )
    if seen < settings.fewest_to_check:
        return replace(link, few=True)
    fit = _best_fit(a, b, link, settings)
    least = 0.0 if alone else -BOARD_ODDS
    if fit.evidence <= least or abs(fit.correction) > settings.reach_cm + settings.tolerance_cm:
        return replace(
            link,
            both=fit.both,
            one=fit.one,
            joined=False,
            evidence=fit.evidence,
            remark="the plants on the common stretch do not fall together: the board was moved between the photos, or "
            "it is another row",
        )
    refined = _refined(link, fit, fit.rms if math.isfinite(fit.rms) else 1.0, settings)
    if fit.evidence <= 0 and not refined.remark:
        refined = replace(refined, remark="hardly borne out by the plants, of which each photo misses some: look at it")
    return refined


def _usual_correction(pieces: list[Piece], links: list[Link]) -> float:
    """What plants corrected boards by, in the median of the other seams: boards above a furrow are off alike. [cm]

    Seen from the photo whose beginning is shared.
    """
    told = [_side(pieces, k) * k.correction_cm for k in links if k.joined and not k.few and k.both >= 3]
    return float(np.median(told)) if told else 0.0


def _side(pieces: list[Piece], link: Link) -> int:
    """1 where the common stretch lies at the beginning of ``b``, -1 at its end."""
    low, high = _overlap(pieces[link.a], pieces[link.b], link.direction, link.shift_cm)
    return 1 if low + high < pieces[link.b].length_cm else -1


def _again(pieces: list[Piece], link: Link, bias: float, settings: ChainSettings, alone: bool) -> Link:
    """A refused link tried once more from where the other seams of the plot would have it."""
    by_bias = _side(pieces, link) * bias
    start = replace(link, shift_cm=link.shift_cm + by_bias, joined=True, both=0, one=0, remark="", evidence=math.nan)
    retried = _checked(pieces, start, settings, alone)
    if not retried.joined or retried.few:
        return link
    off = 10 * abs(by_bias + retried.correction_cm)
    remark = _seam_remark(off, retried.scatter_mm, retried.both, settings) or retried.remark
    return replace(retried, disagreement_mm=off, remark=remark)


def _by_few(pieces: list[Piece], link: Link, bias: float, settings: ChainSettings, alone: bool) -> Link:
    """A link with hardly a plant to check it: boards, corrected as at the other seams, and what plants there are."""
    a, b = pieces[link.a], pieces[link.b]
    start = replace(link, shift_cm=link.shift_cm + _side(pieces, link) * bias)
    best: _Fit | None = None
    for step in sorted(np.arange(-settings.reach_cm, settings.reach_cm + 0.01, 0.5), key=abs):
        fit = _fit(a, b, start, float(step), settings)
        near = fit.both and abs(fit.correction) <= settings.reach_cm + 0.5
        if near and (best is None or (fit.both, -fit.one) > (best.both, -best.one)):
            best = fit
    if alone and (best is None or best.both < 2 or best.one):
        remark = "hardly a plant to check it by, and no other board in the plot: the board may have been carried along"
        return replace(link, both=best.both if best else 0, joined=False, remark=remark)
    if best is None:
        remark = "no plant shows in both: joined by the boards alone, with nothing to check them"
        return replace(start, one=_fit(a, b, start, 0.0, settings).one, remark=remark)
    refined = _refined(start, best, 1.0, settings)
    off = 10 * abs(_side(pieces, link) * bias + best.correction)
    return replace(refined, disagreement_mm=off, remark=_seam_remark(off, refined.scatter_mm, best.both, settings))


def _seam_remark(off_mm: float, scatter_mm: float, both: int, settings: ChainSettings) -> str:
    if off_mm > settings.seam_mm:
        return "boards and plants disagree: boards lie higher than the plants' feet (furrow), askew, or were touched"
    if scatter_mm > settings.seam_mm and both > 3:  # of three plants one may be placed badly
        return "plants seen twice lie apart: is one photo's scale off?"
    return ""


def _refined(link: Link, fit: _Fit, scatter_cm: float, settings: ChainSettings) -> Link:
    """Boards and plants together, each by its error."""
    sd = max(scatter_cm, 0.3) / math.sqrt(fit.both)
    weight = link.sd_cm**2 / (link.sd_cm**2 + sd**2)
    off = 10 * abs(fit.correction)
    scatter = 10 * fit.rms
    remark = _seam_remark(off, scatter, fit.both, settings)
    return replace(
        link,
        shift_cm=link.shift_cm + weight * fit.correction,
        correction_cm=fit.correction,
        sd_cm=math.sqrt(1 / (1 / link.sd_cm**2 + 1 / sd**2)),
        both=fit.both,
        one=fit.one,
        disagreement_mm=off,
        scatter_mm=scatter,
        evidence=fit.evidence,
        remark=remark,
    )


def _by_plants(pieces: list[Piece], members: list[int], found: list[Link], settings: ChainSettings) -> list[Link]:
    """Links between pieces that nothing else ties, where their plants fit in one place only."""
    from standcam.validation.align import AlignSettings, align

    laying = AlignSettings(max_scale_pct=1.0, tolerance_cm=settings.tolerance_cm, sure_odds=1000.0)
    tied = {(link.a, link.b) for link in found if link.joined}
    more = []
    for i, a in enumerate(members):
        for b in members[i + 1 :]:
            p, q = pieces[a], pieces[b]
            if p.photo == q.photo or (a, b) in tied or p.row != q.row:
                continue
            lying = align(p.crop_cm, q.crop_cm, (0.0, p.length_cm), (0.0, q.length_cm), laying)
            if not lying.sure or lying.place is None:
                continue
            place = lying.place
            middle = float(np.mean(p.crop_cm[lying.pairs.found]))
            shift = float(place.to_tape(np.array([middle]))[0]) - place.direction * middle
            low, high = _overlap(p, q, place.direction, shift)
            link = Link(a, b, place.direction, shift, settings.board_sd_cm, "plants", high - low)
            fit = _fit(p, q, link, 0.0, settings)
            more.append(
                Link(
                    a, b, place.direction, shift, 0.3, "plants", high - low, fit.both, fit.one, math.nan, 10 * fit.rms,
                    True, "joined by the plants, which fit in no other place; no common board", fit.evidence,
                )
            )  # fmt: skip
    return more
