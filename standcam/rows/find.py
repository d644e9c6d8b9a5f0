"""Row lines in a photo: directions in which stems line up, and the lines in the best of them.

A row is a narrow strip of ground in which many *cells* along it hold a stem. Counting cells instead of stems keeps a
clump of weeds from posing as a row: it fills few cells of the strip it stands in.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from standcam import flags
from standcam.ground.map import GroundMap
from standcam.rows.line import RowLine
from standcam.settings import RowSettings

_SAMPLES = 2304
"""Of the picture, to tell how much of each strip it shows."""
_FAN_STEP_DEG = 2.0
"""Directions tried for each line: a degree off, a metre of row leaves its strip by no more than its half width."""
_PLASTIC = 1.324717957244746
"""Root of x³ = x + 1, of which the powers fill a square evenly in every direction."""


@dataclass(frozen=True)
class Field:
    """The ground seen in a photo, as far as stems can be resolved in it."""

    points_cm: np.ndarray
    """An even sample of resolvable ground. (n, 2) [cm]"""
    area_cm2: np.ndarray
    """Ground each sample stands for. (n,) [cm²]"""
    middle_cm: np.ndarray
    """Ground at the middle of the picture. (2,) [cm]"""
    flat: bool = False
    """One scale for the whole picture: parallel rows need not be parallel on the map."""


def resolvable(ground: GroundMap, points_px: np.ndarray, settings: RowSettings) -> np.ndarray:
    """Where a pixel covers little enough ground, in its longer direction, for stems to be told. (n,) bool"""
    return _resolved(ground.jacobian(points_px), settings)


def _resolved(jacobian: np.ndarray, settings: RowSettings) -> np.ndarray:
    # the larger singular value of two by two: the sum of both squares is that of all entries, their product the
    # determinant
    squares = (jacobian**2).sum(axis=(1, 2))
    product = jacobian[:, 0, 0] * jacobian[:, 1, 1] - jacobian[:, 0, 1] * jacobian[:, 1, 0]
    longer = np.sqrt((squares + np.sqrt(np.maximum(squares**2 - 4 * product**2, 0))) / 2)
    return np.isfinite(longer) & (longer * 10 <= settings.coarsest_mm_per_px)


def field_of(ground: GroundMap, settings: RowSettings) -> Field:
    """Sample the picture evenly and keep the resolvable part.

    The samples follow the additive recurrence with the plastic number, not a grid: strips along a grid's axes, where
    rows mostly run, would hold whole lines of it or none.
    """
    n = np.arange(1, _SAMPLES + 1)[:, None]
    grid = (0.5 + n / _PLASTIC ** np.array([1.0, 2.0])) % 1 * [ground.width_px, ground.height_px] - 0.5
    jacobian = ground.jacobian(grid)
    seen = _resolved(jacobian, settings)
    grid, jacobian = grid[seen], jacobian[seen]
    area = np.abs(np.linalg.det(jacobian)) * (ground.width_px * ground.height_px / _SAMPLES)
    flat = bool(ground.flags & flags.bit("scale_flat"))
    return Field(ground.to_ground(grid), area, ground.to_ground(ground.middle_px)[0], flat)


def find_rows(
    stems_cm: np.ndarray, probability: np.ndarray, field: Field, settings: RowSettings | None = None
) -> list[list[RowLine]]:
    """Row lines of a photo, without measured stretches yet, for each direction rows may run in.

    Parameters
    ----------
    stems_cm : (n, 2) array
        Stems seen at first look, weeds among them. [cm]
    probability : (n,) array
        How likely each is a crop stem.
    field : Field
    settings : RowSettings, optional

    Returns
    -------
    list of lists of RowLine
        One list a direction, the likeliest first; more than one only where two are nearly as likely. In each, the
        strong row nearest to the picture's middle comes first. Empty when there is no plant.
    """
    settings = settings or RowSettings()
    if not len(stems_cm) or not len(field.points_cm):
        return []
    points = np.c_[stems_cm, probability]
    step = settings.angle_step_deg
    coarse = np.arange(0, 180, step)
    peaked = np.array([strips.peakedness for strips in _strips(points, field, coarse, settings)])
    directions: list[float] = []
    for k in np.argsort(-peaked, kind="stable"):
        if peaked[k] < settings.rival_share * peaked.max() or len(directions) == settings.most_rivals:
            break
        if peaked[k] >= max(peaked[k - 1], peaked[(k + 1) % len(coarse)]) and all(
            abs((coarse[k] - a + 90) % 180 - 90) > settings.rival_apart_deg for a in directions
        ):
            directions.append(float(coarse[k]))
    found = [_lines(points, direction, field, settings) for direction in directions]
    return [lines for lines in found if lines]


@dataclass(frozen=True)
class _Strips:
    """Strength of parallel strips of ground in one direction."""

    offset_cm: np.ndarray
    strength: np.ndarray
    length_cm: np.ndarray
    usual: float

    @property
    def peakedness(self) -> float:
        return float((np.maximum(self.strength, 0) ** 2).sum())


def _axes(angle_deg: np.ndarray | float) -> tuple[np.ndarray, np.ndarray]:
    """Unit vectors along directions and to the right of them. (...) [deg] -> (2, ...), (2, ...)"""
    a = np.deg2rad(angle_deg)
    d = np.array([np.cos(a), np.sin(a)])
    return d, np.array([d[1], -d[0]])


def _strips(
    points: np.ndarray, field: Field, angles_deg: np.ndarray, settings: RowSettings, usual: float | None = None
) -> list[_Strips]:
    """Strips in each direction; ``usual`` is the share of cells held by chance, by default that of these points."""
    d, right = _axes(angles_deg)
    width, cell = settings.strip_cm, settings.cell_cm
    # all directions at once, a line each
    u, v = _along(points[:, :2], d), _along(points[:, :2], right)
    fv = _along(field.points_cm, right)
    low_u = u.min(axis=1, keepdims=True)
    low_v = np.minimum(v.min(axis=1, keepdims=True), fv.min(axis=1, keepdims=True)) - 2 * width
    i = ((u - low_u) / cell).astype(int)
    j, k = (((places - low_v) / width).astype(int) for places in (v, fv))
    n, n_v, n_u = len(angles_deg), int(max(j.max(), k.max())) + 3, int(i.max()) + 1
    each = np.arange(n)[:, None]
    held = np.zeros((n, n_v, n_u))
    np.maximum.at(held, (each, j, i), points[:, 2])
    # half-overlapping strips of two bins: a row may lie on the border of bins
    pair = held.copy()
    pair[:, 1:] = np.maximum(pair[:, 1:], held[:, :-1])
    cells = pair.sum(axis=2)
    area = np.bincount((each * n_v + k).ravel(), weights=np.tile(field.area_cm2, n), minlength=n * n_v)
    length = area.reshape(n, n_v) / width
    length[:, 1:] = (length[:, 1:] + length[:, :-1]) / 2
    visible = length / cell
    by_chance = np.full(n, usual) if usual is not None else cells.sum(axis=1) / np.maximum(visible.sum(axis=1), 1)
    # as a count in so many cells stands out from chance, were stems strewn evenly
    # (a short strip across a corner, with one stem in it, must not beat a long one with several)
    spread = np.maximum(by_chance * (1 - np.minimum(by_chance, 0.95)), 0.02)[:, None]
    strength = (cells - by_chance[:, None] * visible) / np.sqrt(np.maximum(visible, 80 / cell) * spread)
    offset = low_v + np.arange(n_v) * width
    return [_Strips(*of) for of in zip(offset, strength, length, by_chance.tolist(), strict=True)]


def _along(points_cm: np.ndarray, vectors: np.ndarray) -> np.ndarray:
    """Places of points along vectors, without a matrix product (see DEVELOPERS.md). (n, 2), (2, m) -> (m, n)"""
    return vectors[0][:, None] * points_cm[:, 0] + vectors[1][:, None] * points_cm[:, 1]


def _lines(points: np.ndarray, direction_deg: float, field: Field, settings: RowSettings) -> list[RowLine]:
    """Lines near a direction, one after the other, each in the direction that suits it best.

    Rows are parallel on the ground, but seldom on the map: where the tilt of the camera is not known, or a board lies
    aslant, they run together towards the horizon.
    """
    step = settings.angle_step_deg
    fine = direction_deg + _outwards(step, 0.5)
    finer = _strips(points, field, fine, settings)
    peaked = [strips.peakedness for strips in finer]
    k = peaked.index(max(peaked))
    best, usual = fine[k], finer[k].usual
    fan = settings.flat_fan_deg if field.flat else settings.fan_deg
    turns = best + _outwards(fan, _FAN_STEP_DEG)
    lines: list[RowLine] = []
    strength: list[float] = []
    left = points
    while len(left) and len(lines) < settings.most_rows:
        top, line = max(
            (
                _strongest(strips, a, field, lines, settings)
                for strips, a in zip(_strips(left, field, turns, settings, usual), turns, strict=True)
            ),
            key=lambda pair: pair[0],
        )
        if line is None or top <= 0 or (strength and top < settings.weakest * strength[0]):
            break
        lines.append(line)
        strength.append(top)
        left = left[np.abs(line.offset(left[:, :2])) > settings.apart_cm / 4]
    if not lines:
        return []
    away = [abs(float(line.offset(field.middle_cm[None])[0])) for line in lines]
    strong = [k for k in range(len(lines)) if strength[k] >= settings.main_share * strength[0]]
    main = min(strong, key=lambda k: away[k])
    order = sorted(range(len(lines)), key=lambda k: (k != main, abs(away[k] - away[main])))
    return [lines[k] for k in order]


def _outwards(reach: float, step: float) -> np.ndarray:
    """Steps from 0 outwards to either side: of directions that serve equally well the first wins."""
    return np.array(sorted(np.arange(-reach, reach + step / 2, step), key=abs))


def _strongest(
    strips: _Strips, angle_deg: float, field: Field, taken: list[RowLine], settings: RowSettings
) -> tuple[float, RowLine | None]:
    """Strength and line of the best strip that is long enough and clear of the lines already taken."""
    d, right = _axes(angle_deg)
    along = float(field.middle_cm @ d)
    clear = strips.length_cm >= settings.shortest_cm
    for line in taken:
        middles = along * d + strips.offset_cm[:, None] * right
        clear &= np.abs(line.offset(middles)) >= settings.apart_cm
    if not clear.any():
        return -np.inf, None
    k = int(np.where(clear, strips.strength, -np.inf).argmax())
    return float(strips.strength[k]), RowLine(tuple(along * d + strips.offset_cm[k] * right), tuple(d))


def refit(row: RowLine, points_cm: np.ndarray, weight: np.ndarray, settings: RowSettings) -> RowLine:
    """The row line through stems: weighted, outliers bounded, gently bent where the stems ask for it.

    Parameters
    ----------
    row : RowLine
        First guess.
    points_cm : (n, 2) array
        Stem bases. [cm]
    weight : (n,) array
        How much each counts, as its probability to be crop.
    """
    if len(points_cm) < 2 or weight.sum() <= 0:
        return replace(row, flags=row.flags | flags.bit("row_unsure"))
    u, v = row.position(points_cm), row.offset(points_cm)
    span = float(u.max() - u.min())
    terms = 1 if span < settings.shortest_cm / 2 or len(u) < 3 else 2
    if len(u) >= settings.bend_plants and span >= settings.bend_span_cm:
        terms = 3
    u_scale = max(span / 2, 1.0)
    middle = float(np.average(u, weights=weight))
    basis = np.vander((u - middle) / u_scale, terms, increasing=True)
    # a bend must earn its place against a prior of nearly straight rows
    prior = np.diag([0.0, settings.turn_prior, settings.bend_prior][:terms])
    fit = np.zeros(terms)
    w = weight.copy()
    for _ in range(8):
        fit = np.linalg.solve((basis * w[:, None]).T @ basis + prior + 1e-9 * np.eye(terms), (basis * w[:, None]).T @ v)
        residual = v - basis @ fit
        scale = max(1.4826 * float(np.median(np.abs(residual))), 0.4)
        w = weight / (1 + (residual / (2 * scale)) ** 2)
    a, b, c = (*fit, 0.0, 0.0)[:3]
    slope, bend = b / u_scale, c / u_scale**2
    d = np.asarray(row.direction)
    right = np.array([d[1], -d[0]])
    origin = row.points(middle)[0] + a * right
    # the fit is of what the first guess leaves over: its own bend, and the slope that has at the new origin, stay
    turned = d + (slope + 2 * row.bend_per_cm * middle) * right
    turned /= np.linalg.norm(turned)
    sd = float(np.sqrt(np.average(residual**2, weights=w)))
    unsure = len(u) < 3 or sd > settings.widest_scatter_cm
    # judged anew: what a first look left unsure, more stems may settle
    kept = row.flags & ~flags.bit("row_unsure")
    return RowLine(
        tuple(origin),
        tuple(turned),
        row.bend_per_cm + bend,
        row.from_cm - middle,
        row.to_cm - middle,
        sd,
        kept | (flags.bit("row_unsure") if unsure else 0),
    )


def measured_stretch(row: RowLine, ground: GroundMap, settings: RowSettings) -> RowLine:
    """The longest run of the row that lies in the picture, clear of its edge, where stems can be resolved.

    Raises
    ------
    Nothing; a row that is nowhere resolvable gets a stretch of length zero.
    """
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * [ground.width_px - 1, ground.height_px - 1]
    reach = ground.to_ground(corners)
    far = settings.longest_cm
    farthest = float(np.abs(row.position(reach)).max())
    if np.isfinite(farthest):  # else the horizon is in view
        far = min(max(farthest, 100.0), far)
    if row.bend_per_cm:  # the series for the arc turns back beyond
        far = min(far, 0.5 / abs(row.bend_per_cm))
    s = np.arange(-far, far + 0.5, 0.5)
    px = ground.to_pixels(row.points(s))
    with np.errstate(invalid="ignore"):
        inside = (
            (px[:, 0] >= 0) & (px[:, 0] <= ground.width_px - 1) & (px[:, 1] >= 0) & (px[:, 1] <= ground.height_px - 1)
        )
    good = inside.copy()
    good[inside] = resolvable(ground, px[inside], settings)
    if not good.any():
        return replace(row, from_cm=0.0, to_cm=0.0)
    edges = np.flatnonzero(np.diff(np.r_[0, good.astype(int), 0]))
    starts, stops = edges[::2], edges[1::2] - 1
    longest = int((stops - starts).argmax())
    first, last = starts[longest], stops[longest]
    margin = settings.edge_margin_cm
    # a stem right at the picture's edge is cut: neither it nor its absence can be told
    low = s[first] + margin
    high = s[last] - margin
    return replace(row, from_cm=float(low), to_cm=float(max(high, low)))


def middle_line(ground: GroundMap) -> RowLine:
    """A line through the picture's middle along its longer side: where the row would be, when nothing shows it."""
    w, h = ground.width_px, ground.height_px
    ends = np.array([[0.45, 0.5], [0.55, 0.5]]) if w >= h else np.array([[0.5, 0.55], [0.5, 0.45]])
    a, b = ground.to_ground(ends * [w, h])
    d = (b - a) / np.linalg.norm(b - a)
    return RowLine(tuple((a + b) / 2), tuple(d))
