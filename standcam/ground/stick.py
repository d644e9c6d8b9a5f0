"""Scale from a straight light stick with dark ends, of known length.

The light bar is found as the longest straight, narrow, pale thing in the photo; along its middle line the
changes from dark to light and from stick to soil are then measured to sub-pixel at full size.

Four known places on one line (both ends of the stick, both ends of the light bar) tell more than a scale:
unequal spacing in the picture shows how the line runs away from the camera. Of the ground's two tilts this
gives the one along the stick; the other is taken as the least that fits, and the map is flagged
``scale_flat``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from standcam import flags
from standcam.errors import StickNotFound
from standcam.ground.corners import LINEAR
from standcam.ground.focal import Focal, focal_of, untilted_scale_growth_pct_per_m
from standcam.ground.map import GroundMap, uniform_map
from standcam.images.photo import Photo
from standcam.settings import CalibrationSettings

WORK_SIDE_PX = 1100
"""Longer side of the picture in which the bar is looked for. [px]"""
LEAST_LENGTH = 0.2
"""Least length of the light bar over the longer side of the picture."""
LEAST_ASPECT, MOST_ASPECT = 9.0, 90.0
"""Bounds of the length of the light bar over its width: thinner things are straw, wires and edges of
boards."""
LEAST_STEP = 0.02
"""Least step of linear light (0 to 1) that counts as the end of the stick on the soil."""


@dataclass(frozen=True)
class Stick:
    """A stick as seen."""

    ends_px: np.ndarray
    """Outer ends, on the middle line. (2, 2) [px]"""
    bar_px: np.ndarray
    """Ends of the light bar, on the middle line. (2, 2) [px]"""
    seen: tuple[bool, bool]
    """Whether each outer end was seen; one that was not is worked out from the others."""
    width_px: float


def map_from_stick(photo: Photo, settings: CalibrationSettings) -> GroundMap:
    """Ground map from a stick: origin at its middle, x along it.

    Raises
    ------
    StickNotFound
        No light stick with two dark ends lies wholly in the picture.
    BadSettings
        The lens profile cannot be read.
    """
    share = settings.stick_dark_ends_cm / settings.stick_length_cm
    stick = find_stick(photo.rgb, share)
    if stick is None:
        raise StickNotFound(
            f"No light stick with two dark ends is seen in {photo.path.name}.",
            "Lay it flat beside the row, wholly in the picture, on soil that is darker than it.",
        )
    focal = focal_of(photo, settings)
    middle = stick.ends_px.mean(0)
    axis = stick.ends_px[1] - stick.ends_px[0]
    axis = axis / np.hypot(*axis)
    half = stick.width_px / 2 * np.array([-axis[1], axis[0]])
    hull = [
        stick.ends_px[0] + half,
        stick.ends_px[1] + half,
        stick.ends_px[1] - half,
        stick.ends_px[0] - half,
    ]
    fields: dict[str, object] = {
        "mark_px": _pair(middle),
        "marks_px": (tuple(_pair(p) for p in stick.ends_px),),
        "mark_hull_px": tuple(_pair(p) for p in hull),
        "lens": focal.lens,
    }
    return _ground_map(photo, settings, stick, focal, fields)


def _pair(point: np.ndarray) -> tuple[float, float]:
    return float(point[0]), float(point[1])


def _ground_map(
    photo: Photo, settings: CalibrationSettings, stick: Stick, focal: Focal, fields: dict[str, object]
) -> GroundMap:
    w, h = photo.width_px, photo.height_px
    length, dark = settings.stick_length_cm, settings.stick_dark_ends_cm
    known = np.array([-length / 2, -length / 2 + dark, length / 2 - dark, length / 2])
    points = np.array([stick.ends_px[0], stick.bar_px[0], stick.bar_px[1], stick.ends_px[1]])
    use = np.array([stick.seen[0], True, True, stick.seen[1]])
    flat = points if focal.lens is None else focal.lens.undistort(points, w, h)
    pose = _pose_of_line(known[use], flat[use], focal.K) if use.sum() >= 3 else None
    if pose is None:
        span = np.linalg.norm(flat[use][-1] - flat[use][0])
        scale = (known[use][-1] - known[use][0]) / span
        plain = uniform_map(scale, w, h, "stick")
        return GroundMap(
            plain.ground_from_px,
            w,
            h,
            "stick",
            scale_error_pct_per_m=untilted_scale_growth_pct_per_m(scale * focal.K[0, 0]),
            flags=flags.bit("scale_flat", "no_parallax"),
            notes=("Scale from a stick, the same for the whole picture: tilt is not corrected.", focal.note),
            **fields,  # type: ignore[arg-type]
        )
    start, direction = pose
    # of all planes through the line, the one that faces the camera most
    normal = np.array([0, 0, 1.0]) - direction[2] * direction
    normal /= np.linalg.norm(normal)
    across = np.cross(normal, direction)
    # x along the stick, y such that z points to the camera, against the normal that looks away from it
    H = np.linalg.inv(focal.K @ np.column_stack([direction, -across, start]))
    camera = np.array([-direction @ start, across @ start, normal @ start])
    rays = np.column_stack([flat[use], np.ones(use.sum())]) @ H.T
    misfit = rays[:, :2] / rays[:, 2:] - np.column_stack([known[use], np.zeros(use.sum())])
    return GroundMap(
        H / H[2, 2],
        w,
        h,
        "stick",
        residual_mm=float(10 * np.sqrt((misfit**2).sum(1).mean())),
        scale_error_pct_per_m=untilted_scale_growth_pct_per_m(float(camera[2])),
        camera_cm=(float(camera[0]), float(camera[1]), float(camera[2])),
        flags=flags.bit("scale_flat"),
        notes=("Scale from a stick; tilt along it is corrected, tilt across it is not.", focal.note),
        **fields,  # type: ignore[arg-type]
    )


def _pose_of_line(known_cm: np.ndarray, points_px: np.ndarray, K: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
    """Where a line with known places lies before the camera: its origin [cm] and unit direction, camera axes.

    Linear least squares of ``s K (start + known direction) = point``, scaled to a unit direction.
    """
    rays = np.column_stack([points_px, np.ones(len(points_px))]) @ np.linalg.inv(K).T
    rows = []
    for s, (x, y, _) in zip(known_cm, rays, strict=True):
        # x (start_z + s d_z) = start_x + s d_x, and the same for y
        rows += [[1, 0, -x, s, 0, -x * s], [0, 1, -y, 0, s, -y * s]]
    A = np.array(rows)
    A[:, 3:] /= 100  # metres for the direction, so that all unknowns are of one size
    *_, V = np.linalg.svd(A)
    start, direction = V[-1, :3], V[-1, 3:] / 100
    size = np.linalg.norm(direction)
    if size < 1e-12 or start[2] == 0:
        return None
    start, direction = start / size * np.sign(start[2]), direction / size * np.sign(start[2])
    return (start, direction) if abs(direction[2]) < 0.87 else None  # steeper than 60 degrees is no stick on soil


def find_stick(rgb: np.ndarray, dark_share: float) -> Stick | None:
    """The stick in a photo.

    Parameters
    ----------
    rgb : array (H, W, 3), uint8
        The upright photo.
    dark_share : float
        Length of one dark end over the length of the stick.
    """
    for bar in _bars(rgb):
        stick = _measure(rgb, *bar, dark_share)
        if stick is not None:
            return stick
    return None


def _bars(rgb: np.ndarray) -> Iterator[tuple[np.ndarray, np.ndarray, float]]:
    """Candidates for the light bar, likeliest first: rough ends (2,), (2,) and width, in full-size pixels."""
    h, w = rgb.shape[:2]
    q = max(1, int(np.ceil(max(h, w) / WORK_SIDE_PX - 0.2)))
    small = cv2.resize(rgb, (w // q, h // q), interpolation=cv2.INTER_LINEAR) if q > 1 else rgb
    r, g, b = cv2.split(small)
    low, high = cv2.min(cv2.min(r, g), b), cv2.max(cv2.max(r, g), b)
    # pale and colourless: straw and dry soil are yellow, leaves green
    pale = cv2.subtract(low, cv2.subtract(high, low))
    side = max(small.shape)
    size = side // 16 | 1
    hat = cv2.morphologyEx(pale, cv2.MORPH_TOPHAT, np.ones((size, size), np.uint8))
    top = float(np.percentile(hat[::4, ::4], 99.7))
    for level in (0.5, 0.3):
        mask = (hat > max(level * top, 20)).astype(np.uint8)
        contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        pieces = []
        for contour in contours:
            if len(contour) < 4 or max(cv2.boundingRect(contour)[2:]) < 0.014 * side:
                continue
            (cx, cy), (a, b_), turn = cv2.minAreaRect(contour)
            long, wide = max(a, b_), min(a, b_) + 1
            if long < 0.02 * side or cv2.contourArea(contour) < 0.5 * long * (wide - 1):
                continue
            angle = np.deg2rad(turn if a >= b_ else turn + 90)
            pieces.append(_Piece(long, wide, np.array([cx, cy]), np.array([np.cos(angle), np.sin(angle)]), contour))
        pieces.sort(key=lambda p: -p.long)
        bars, used = [], set()
        for n, seed in enumerate(pieces[:6]):
            if n in used or seed.long < 3 * seed.wide or seed.long < 0.05 * side:
                continue
            ends, members = _join(pieces, seed)
            used |= members
            length = float(np.linalg.norm(ends[1] - ends[0]))
            if length >= 0.7 * LEAST_LENGTH * side and length >= 0.7 * LEAST_ASPECT * seed.wide:
                bars.append((length, (ends[0] + 0.5) * q - 0.5, (ends[1] + 0.5) * q - 0.5, seed.wide * q))
        bars.sort(key=lambda bar: -bar[0])
        for _, start, end, width in bars[:2]:
            yield start, end, width


@dataclass(frozen=True)
class _Piece:
    """A pale, narrow region."""

    long: float
    wide: float
    centre: np.ndarray
    axis: np.ndarray
    contour: np.ndarray


def _join(pieces: list[_Piece], seed: _Piece) -> tuple[np.ndarray, set[int]]:
    """The bar that pieces on one line make together: ends (2, 2) [px], members."""
    centre, axis = seed.centre, seed.axis
    members: set[int] = set()
    ends = np.array([centre, centre])
    for _ in range(2):
        normal = np.array([-axis[1], axis[0]])
        members = {
            n
            for n, p in enumerate(pieces)
            if p is seed
            or (
                abs((p.centre - centre) @ normal) < 0.6 * seed.wide + 0.01 * abs((p.centre - centre) @ axis)
                and np.ptp(p.contour.reshape(-1, 2) @ normal) < 1.8 * seed.wide + 2
            )
        }
        points = np.concatenate([pieces[n].contour.reshape(-1, 2) for n in members]).astype(np.float32)
        vx, vy, x0, y0 = cv2.fitLine(points, cv2.DIST_L2, 0, 0.01, 0.01).ravel()
        axis, centre = np.array([vx, vy], float), np.array([x0, y0], float)
        along = (points - centre) @ axis
        ends = np.array([centre + along.min() * axis, centre + along.max() * axis])
    return ends, members


def _extend(rgb: np.ndarray, a: np.ndarray, b: np.ndarray, width: float) -> tuple[np.ndarray, np.ndarray]:
    """Follow the bar outward over shadows and leaves as long as light stretches go on behind them."""
    bar = float(np.linalg.norm(b - a))
    axis = (b - a) / bar
    step = max(1.0, bar / 600)
    s = np.arange(-0.7 * bar, 1.7 * bar, step)
    light = _profile(rgb, a, axis, s, width)
    if light is None:
        return a, b
    low = np.nan_to_num(np.minimum(np.minimum(light[:, 0], light[:, 1]), light[:, 2]))
    inside = low[(s > 0) & (s < bar)]
    on = low > 0.5 * np.percentile(inside, 70)
    gap, least = int(0.07 * bar / step), max(int(0.03 * bar / step), 2)
    places = []
    for outward in (on[s < 0.1 * bar][::-1], on[s > 0.9 * bar]):
        last = 0
        share = np.convolve(outward, np.ones(least), "valid") / least
        # starts of light stretches; the walk stops at the first gap that is too wide for a shadow
        for k in np.flatnonzero(share > 0.9):
            if k - last > gap:
                break
            last = int(k) + least
        places.append(min(last, len(outward) - 1))
    near, far = 0.1 * bar - places[0] * step, 0.9 * bar + places[1] * step
    return a + min(near, 0.0) * axis, a + max(far, bar) * axis


def _measure(rgb: np.ndarray, a: np.ndarray, b: np.ndarray, width: float, dark_share: float) -> Stick | None:
    """Places along the middle line to sub-pixel; None when this is no light bar between dark ends."""
    if _steady_width(rgb, a, b, width) < 0.6:
        return None
    a, b = _centre_line(rgb, *_extend(rgb, a, b, width), width)
    bar = float(np.linalg.norm(b - a))
    if bar < LEAST_LENGTH * max(rgb.shape) or not LEAST_ASPECT * width <= bar <= MOST_ASPECT * width:
        return None
    dark = bar * dark_share / (1 - 2 * dark_share)
    axis = (b - a) / bar
    step = max(0.5, bar / 2000)
    s = np.arange(-2.2 * dark, bar + 2.2 * dark, step)
    light = _profile(rgb, a, axis, s, width)
    if light is None:
        return None
    grey = light @ np.array([0.299, 0.587, 0.114])
    inside = (s > 0.05 * bar) & (s < 0.95 * bar)
    white = float(np.nanpercentile(grey[inside], 70))
    if np.mean(grey[inside] > 0.5 * white) < 0.4 or _steady_width(rgb, a, b, width) < 0.6:
        return None
    bar_at, ends_at, seen = [], [], []
    for side in (0, 1):
        # outward distance from the rough end of the bar
        out = -s if side == 0 else s - bar
        order = np.argsort(out)
        d, value, colour = out[order], grey[order], light[order]
        near = (d > -0.08 * bar) & (d < 0)
        beyond = (d > 0.15 * dark) & (d < 0.7 * dark)
        if not np.isfinite(value[beyond]).all() or not beyond.any():
            return None  # the dark end leaves the picture
        bright, black = float(np.percentile(value[near], 80)), float(np.median(value[beyond]))
        if bright - black < 0.35 * white:
            return None
        mid = (bright + black) / 2
        k = np.flatnonzero((value[:-1] >= mid) & (value[1:] < mid) & (np.abs(d[:-1]) < max(0.4 * dark, 4)))
        if not len(k):
            return None
        k = k[-1]
        change = d[k] + (value[k] - mid) / max(value[k] - value[k + 1], 1e-9) * step
        bar_at.append(-change if side == 0 else bar + change)
        end = _outer_end(d - change, colour, dark)
        seen.append(end is not None)
        reach = change + (end if end is not None else dark)
        ends_at.append(-reach if side == 0 else bar + reach)
    settled = _settle_ends(s, light, np.array(bar_at), np.array(ends_at), seen, dark_share)
    if settled is None:
        return None
    settled_at, seen = settled
    ends = a + np.outer(settled_at, axis)
    h, w = rgb.shape[:2]
    if (ends < 0).any() or (ends > [w - 1, h - 1]).any():
        return None
    return Stick(ends, a + np.outer(bar_at, axis), (seen[0], seen[1]), width)


def _settle_ends(
    s: np.ndarray, light: np.ndarray, bar: np.ndarray, ends: np.ndarray, seen: list[bool], share: float
) -> tuple[np.ndarray, list[bool]] | None:
    """Check the outer ends against each other by perspective; places are along the line [px].

    Three places fix how the line runs away from the camera, so each end foretells the other. Where they
    disagree, a leaf lies over one of the ends and makes it look short: the end is worked out from the other
    where green lies between its seen and its foretold place.
    """

    def forecast(known: int) -> float:
        s = np.array([share, 1 - share, float(known)])
        x = np.array([*bar, ends[known]])
        p, q, r = np.linalg.solve(np.column_stack([s, np.ones(3), -s * x]), x)
        other = 1.0 - known
        return float((p * other + q) / (r * other + 1))

    if not any(seen):
        return None
    expected = np.array([forecast(1) if seen[1] else np.nan, forecast(0) if seen[0] else np.nan])
    tolerance = max(0.1 * share * float(np.ptp(ends)), 3.0)
    if all(seen) and np.abs(expected - ends).max() < tolerance:
        return ends, seen
    options = [n for n in (0, 1) if seen[n] and np.isfinite(expected[1 - n])]
    # the forecast must stay within what a camera over a field can show
    length = float(np.ptp(bar)) * share / (1 - 2 * share)
    options = [n for n in options if 0.4 < abs(expected[1 - n] - bar[1 - n]) / length < 1.8]
    if not options:
        return None

    def green(n: int) -> float:
        low, high = sorted((float(ends[n]), float(expected[n])))
        colour = np.nanmean(light[(s >= low - 1) & (s <= high + 1)], axis=0)
        return float((2 * colour[1] - colour[0] - colour[2]) / max(colour.sum(), 1e-9))

    keep = max(options, key=lambda n: green(1 - n)) if len(options) > 1 else options[0]
    ends = ends.copy()
    ends[1 - keep] = expected[1 - keep]
    return ends, [keep == 0, keep == 1]


def _outer_end(d: np.ndarray, colour: np.ndarray, dark: float) -> float | None:
    """Distance at which the dark end gives way to soil for good; None where they look alike [px].

    ``d`` is the distance from the light bar (n,), ``colour`` the linear light there (n, 3), ``dark`` the
    length that the dark end must have about.
    """
    core = colour[(d > 0.2 * dark) & (d < 0.6 * dark)]
    if len(core) < 4 or not np.isfinite(core).all():
        return None
    level = np.median(core, axis=0)
    away = np.linalg.norm(colour - level, axis=1)
    noise = float(np.median(np.linalg.norm(core - level, axis=1)))
    limit = max(4 * noise, 0.25 * float(np.linalg.norm(level)), LEAST_STEP / 2)
    zone = np.flatnonzero((d > 0.65 * dark) & (d < 1.5 * dark))
    run = max(4, int(0.06 * dark / (d[1] - d[0])))
    for k in map(int, zone):
        # nearly all of the next stretch differs from the stick: a speck on the stick does not count
        if away[k] > limit and np.mean(away[k : k + run] > limit) > 0.8:
            soil = np.median(colour[k : k + run], axis=0)
            toward = soil - level
            if np.linalg.norm(toward) < LEAST_STEP / 2:
                return None
            value = (colour - level) @ toward / (toward @ toward)
            for j in range(k + run - 1, max(k - run, 1), -1):
                if value[j] >= 0.5 > value[j - 1]:
                    return float(d[j - 1] + (0.5 - value[j - 1]) / (value[j] - value[j - 1]) * (d[j] - d[j - 1]))
            return float(d[k])
    return None


def _profile(rgb: np.ndarray, origin: np.ndarray, axis: np.ndarray, s: np.ndarray, width: float) -> np.ndarray | None:
    """Linear light along a line, mean of the middle third of the width; NaN off the picture (n, 3)."""
    normal = np.array([-axis[1], axis[0]])
    across = np.array([-0.17, 0.0, 0.17]) * width
    corners = origin + np.outer(s[[0, -1, 0, -1]], axis) + np.outer(across[[0, 0, 2, 2]], normal)
    h, w = rgb.shape[:2]
    x0, y0 = np.clip(np.floor(corners.min(0)).astype(int) - 1, 0, [w, h])
    x1, y1 = np.clip(np.ceil(corners.max(0)).astype(int) + 2, 0, [w, h])
    if x1 - x0 < 2 or y1 - y0 < 2:
        return None
    xs = (origin[0] - x0 + s * axis[0])[:, None] + across * normal[0]
    ys = (origin[1] - y0 + s * axis[1])[:, None] + across * normal[1]
    seen = cv2.remap(
        rgb[y0:y1, x0:x1],
        xs.astype(np.float32),
        ys.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    light = LINEAR[seen]
    light = ((light[:, 0] + light[:, 1] + light[:, 2]) / 3).astype(float)
    x, y = xs[:, 1] + x0, ys[:, 1] + y0
    light[(x < -0.5) | (y < -0.5) | (x > w - 0.5) | (y > h - 0.5)] = np.nan
    return light


def _cuts(rgb: np.ndarray, a: np.ndarray, b: np.ndarray, width: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Cuts across the bar: place along it, middle off the line [px], width [px], each (m,)."""
    axis = (b - a) / np.linalg.norm(b - a)
    normal = np.array([-axis[1], axis[0]])
    across = np.arange(-1.2 * width - 2, 1.2 * width + 2.1, 0.5)
    t = np.linspace(0.03, 0.97, 32)
    spots = a + t[:, None, None] * (b - a) + across[None, :, None] * normal
    h, w = rgb.shape[:2]
    corners = spots[[0, 0, -1, -1], [0, -1, 0, -1]]
    low = np.clip(np.floor(corners.min(0)).astype(int) - 1, 0, [w - 2, h - 2])
    high = np.clip(np.ceil(corners.max(0)).astype(int) + 2, 2, [w, h])
    local = (spots - low).astype(np.float32)
    cut = rgb[low[1] : high[1], low[0] : high[0]]
    seen = cv2.remap(cut, local[..., 0], local[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    seen = LINEAR[np.minimum(np.minimum(seen[..., 0], seen[..., 1]), seen[..., 2])]
    half = (np.percentile(seen, 90, axis=1) + np.percentile(seen, 15, axis=1)) / 2
    bright = seen > half[:, None]
    count = bright.sum(1)
    return t, (bright * across).sum(1) / np.maximum(count, 1), count * 0.5


def _steady_width(rgb: np.ndarray, a: np.ndarray, b: np.ndarray, width: float) -> float:
    """Share of cuts whose width lies on one straight course along the bar: a stick is as wide all along."""
    t, _, widths = _cuts(rgb, a, b, width)
    usual = float(np.median(widths))
    slope = np.median((widths - usual)[np.abs(t - 0.5) > 0.2] / (t - 0.5)[np.abs(t - 0.5) > 0.2])
    slope = np.clip(slope, -0.6 * usual, 0.6 * usual)
    return float(np.mean(np.abs(widths - usual - slope * (t - 0.5)) < 0.12 * usual + 0.75))


def _centre_line(rgb: np.ndarray, a: np.ndarray, b: np.ndarray, width: float) -> tuple[np.ndarray, np.ndarray]:
    """Middle line of the bar from cuts across it, by a robust line through the middles of the cuts."""
    axis = (b - a) / np.linalg.norm(b - a)
    normal = np.array([-axis[1], axis[0]])
    t, middle, widths = _cuts(rgb, a, b, width)
    good = np.abs(widths - np.median(widths)) < 0.4 * np.median(widths)
    for _ in range(3):
        if good.sum() < 6:
            return a, b
        slope, shift = np.polyfit(t[good], middle[good], 1)
        off = np.abs(middle - shift - slope * t)
        good &= off < max(2.5 * np.median(off[good]), 0.5)
    return a + shift * normal, b + (shift + slope) * normal
