"""Frames of one flight placed on one ground: laid on each other by what they show, held by what was noted of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from standcam import flags
from standcam.errors import NoScale
from standcam.frames.adjust import Marks, Sights, adjust, misfits, on_ground
from standcam.frames.look import Look
from standcam.frames.pairs import Pair, match
from standcam.frames.record import Frames, PlacedFrame, Problem, Seam
from standcam.frames.start import FAR_OFF, Noted, first_poses, groups_of, lay_on_marks, take_notes
from standcam.ground.control import ControlPoints, read_control_points
from standcam.ground.lens import LensProfile
from standcam.ground.overhead import Pose, overhead_map
from standcam.settings import FlightSettings, Settings

Run = Callable[[Callable[[Any], Any], Iterable[Any]], Iterable[Any]]
"""Applies a function to jobs and gives the results in their order, as ``map`` does."""

STEP_SD = 0.7
"""Standard deviation of a common point, in pixels of the reduced picture: the finder's own, and the ground's relief."""
MARK_SD_PX = 1.0
"""Of a control point clicked in a frame. [px]"""
YAW_SD = np.deg2rad(5.0)
"""Of noted bearings, which only count where positions tell no direction."""
K1_SD = 0.05
"""Spread of radial distortion among lenses (common practice, no source); a drone's wide one reaches it. [1]"""
LEAST_OVERLAP = 0.08
"""Share of a frame that must show in another for the two to be tried. [1]"""
WORST_STEPS = 4.0
"""Pairs whose points miss by this much in the middle, in pixels of the reduced picture, are chance."""
_MOST_DROPPED = 20


def place_frames(
    looks: Sequence[Look],
    settings: Settings | None = None,
    control: ControlPoints | None = None,
    run: Run = map,
) -> Frames:
    """Place frames of one flight on one ground.

    Parameters
    ----------
    looks : sequence of Look
        In the order of time, best; it matters where no positions are noted.
    settings : Settings, optional
    control : ControlPoints, optional
        Default: of the file that ``settings.flight.control_points`` names.
    run : callable
        Tries pairs of frames; give one that works on several processors.

    Returns
    -------
    Frames
        Frames that could not be placed are its ``problems``.

    Raises
    ------
    NoScale
        Of no frame are height and focal length known.
    BadSettings
        Control points or their map projection make no sense.
    """
    settings = settings or Settings()
    flight = settings.flight
    if control is None and flight.control_points is not None:
        control = read_control_points(flight.control_points)
    noted, problems = take_notes(looks, settings, control)
    marks = _marks(noted, control, flight)
    tried: dict[tuple[int, int], Pair | None] = {}
    _try(noted, _neighbours(noted, flight), tried, flight, run)
    poses, k1, pairs = _solve(noted, tried, marks, flight)
    # frames that turn out to overlap, and were not tried
    if _try(noted, _overlapping(noted, poses, k1, flight), tried, flight, run):
        poses, k1, pairs = _solve(noted, tried, marks, flight)
    kept, left_out = _sort_out(noted, poses, k1, pairs, marks, flight)
    problems += left_out
    return _frames(noted, poses, k1, pairs, kept, problems, marks, flight)


def _marks(noted: Noted, control: ControlPoints | None, flight: FlightSettings) -> Marks:
    frames, places, known, sd = [], [], [], []
    for k, look in enumerate(noted.looks):
        if control is None:
            break
        px, map_m = control.of(look.path.name)
        frames += [k] * len(px)
        places.append(noted.normal(k, px))
        known.append((map_m - noted.origin_m) * 100)
        sd += [MARK_SD_PX / noted.K[k, 0, 0]] * len(px)
    both = np.concatenate(places) if places else np.empty((0, 2))
    return Marks(np.array(frames, int), both, np.concatenate(known) if known else np.empty((0, 2)), np.array(sd, float))


def _neighbours(noted: Noted, flight: FlightSettings) -> list[tuple[int, int]]:
    """Pairs to try first: near by noted positions; without them, near in the order given."""
    n = len(noted.looks)
    wanted: set[tuple[int, int]] = set()
    told = np.isfinite(noted.xy_cm).all(axis=1)
    reach = np.array([np.hypot(look.width_px, look.height_px) for look in noted.looks]) / noted.K[:, 0, 0]
    reach = reach * np.nan_to_num(noted.height_cm, nan=np.inf) + 300 * flight.gps_error_m
    for k in range(n):
        others = [j for j in range(n) if j != k]
        if told[k]:
            far = np.where(told, np.hypot(*(noted.xy_cm - noted.xy_cm[k]).T), np.inf)
            others = [j for j in sorted(others, key=lambda j: far[j]) if far[j] < reach[k] or not told[j]]
        else:
            others.sort(key=lambda j: abs(j - k))
        wanted |= {(min(k, j), max(k, j)) for j in others[: flight.neighbours]}
        if k:
            wanted.add((k - 1, k))  # whatever their positions tell, which may be wrong
    return sorted(wanted)


def _try(
    noted: Noted,
    wanted: Iterable[tuple[int, int]],
    tried: dict[tuple[int, int], Pair | None],
    flight: FlightSettings,
    run: Run,
) -> int:
    """Match pairs that were not tried yet; how many of them fit."""
    new = [pair for pair in wanted if pair not in tried]
    jobs = [(i, j, noted.looks[i], noted.looks[j], flight.fewest_matches) for i, j in new]
    for pair, found in zip(new, run(_match, jobs), strict=True):
        tried[pair] = found
    return sum(tried[pair] is not None for pair in new)


def _match(job: tuple[int, int, Look, Look, int]) -> Pair | None:
    return match(*job)


def _solve(
    noted: Noted, tried: dict[tuple[int, int], Pair | None], marks: Marks, flight: FlightSettings
) -> tuple[np.ndarray, float, list[Pair]]:
    """Adjust all frames; pairs that fit none of the others are dropped one by one."""
    pairs = [pair for _, pair in sorted(tried.items()) if pair is not None]
    for _ in range(_MOST_DROPPED):
        poses, believed = first_poses(noted, pairs, flight.gps_error_m)
        sights = _sights(noted, pairs, held=False)
        if len(marks.i) >= 2:
            poses = lay_on_marks(poses, on_ground(poses[marks.i], marks.a, 0.0), marks.cm)
        value, sd = _noted_values(noted, pairs, poses, believed, marks, flight)
        own_lens = any(lens is not None for lens in noted.lenses)
        k1_sd = K1_SD if flight.estimate_distortion and not own_lens and len(pairs) >= 3 else 0.0
        poses, k1 = adjust(poses, value, sd, sights, marks, k1_sd)
        if not pairs:
            break
        miss = np.hypot(*misfits(poses, sights, k1).T) / sights.sd * STEP_SD
        edges = np.cumsum([0, *(int((~p.held).sum()) for p in pairs)])
        middles = np.array([np.median(miss[a:b]) for a, b in pairwise(edges)])
        worst = int(np.argmax(middles))
        if middles[worst] < max(WORST_STEPS, 4 * np.median(middles)):
            break
        gone = pairs.pop(worst)
        tried[gone.first, gone.second] = None
    return poses, k1, pairs


def _sights(noted: Noted, pairs: Sequence[Pair], held: bool) -> Sights:
    i, j, a, b, sd = [np.empty(0, int)], [np.empty(0, int)], [np.empty((0, 2))], [np.empty((0, 2))], [np.empty(0)]
    for pair in pairs:
        used = pair.held == held
        n = int(used.sum())
        i.append(np.full(n, pair.first))
        j.append(np.full(n, pair.second))
        a.append(noted.normal(pair.first, pair.first_px[used]))
        b.append(noted.normal(pair.second, pair.second_px[used]))
        step = max(noted.looks[pair.first].step_px, noted.looks[pair.second].step_px)
        sd.append(np.full(n, STEP_SD * step / noted.K[pair.second, 0, 0]))
    return Sights(*(np.concatenate(part) for part in (i, j, a, b, sd)))


def _noted_values(
    noted: Noted,
    pairs: Sequence[Pair],
    poses: np.ndarray,
    told: np.ndarray,
    marks: Marks,
    flight: FlightSettings,
) -> tuple[np.ndarray, np.ndarray]:
    """What holds each pose, and how firmly: noted values; where a group has none, its first frame as it is."""
    n = len(poses)
    value = np.column_stack([noted.xy_cm, noted.height_cm, noted.yaw, noted.down, np.zeros(n)])
    sd = np.full((n, 6), np.inf)
    sd[told, :2] = 100 * flight.gps_error_m
    tall = np.isfinite(noted.height_cm)
    sd[tall, 2] = noted.height_cm[tall] * noted.height_sd[tall]
    sd[:, 4:] = np.deg2rad(flight.tilt_error_deg)
    marked = set(marks.i.tolist())
    for members in groups_of(n, pairs):
        who = np.array(members)
        first = members[0]
        places = noted.xy_cm[who[told[who]]]
        if len(marked & set(members)) and len(marks.i) >= 2:
            continue  # place and direction are the marks'
        if len(places) < 2 or places.std(axis=0).max() < 200 * flight.gps_error_m:
            # places tell no direction: bearings, or none at all
            bearing = np.isfinite(noted.yaw[who])
            # noted from north the nearest way round
            near = poses[who, 3] + _wrapped(noted.yaw[who] - poses[who, 3])
            value[who[bearing], 3], sd[who[bearing], 3] = near[bearing], YAW_SD
            if not bearing.any():
                value[first, 3], sd[first, 3] = poses[first, 3], 1e-4
        if not len(places):
            value[first, :2], sd[first, :2] = poses[first, :2], 0.01
        if not tall[who].any():
            value[first, 2], sd[first, 2] = poses[first, 2], 0.01
    return value, sd


def _wrapped(angle: np.ndarray) -> np.ndarray:
    return (angle + np.pi) % (2 * np.pi) - np.pi


def _overlaps(noted: Noted, poses: np.ndarray, k1: float, i: int, j: int, slack_cm: float = 0.0) -> float:
    """Share of frame i that shows in frame j, or lies within some centimetres of it."""
    look, other = noted.looks[i], noted.looks[j]
    grid = np.stack(np.meshgrid(np.linspace(0, look.width_px, 9), np.linspace(0, look.height_px, 7)), axis=2)
    ground = on_ground(np.tile(poses[i], (63, 1)), noted.normal(i, grid.reshape(-1, 2)), k1)
    pose = Pose(*poses[j])
    px = overhead_map(pose, noted.K[j], other.width_px, other.height_px, "flight", None).to_pixels(ground)
    reach = slack_cm * noted.K[j, 0, 0] / poses[j, 2]
    inside = (px >= -reach) & (px <= np.array([other.width_px, other.height_px]) + reach)
    return float(inside.all(axis=1).mean())


def _overlapping(noted: Noted, poses: np.ndarray, k1: float, flight: FlightSettings) -> list[tuple[int, int]]:
    wanted: set[tuple[int, int]] = set()
    n = len(poses)
    reach = np.array([np.hypot(look.width_px, look.height_px) for look in noted.looks]) * poses[:, 2] / noted.K[:, 0, 0]
    for i in range(n):
        far = np.hypot(*(poses[:, :2] - poses[i, :2]).T)
        near = [j for j in np.argsort(far, kind="stable").tolist() if j != i and far[j] < reach[i]]
        shares = {j: _overlaps(noted, poses, k1, i, j) for j in near[: 3 * flight.neighbours]}
        best = sorted((j for j in shares if shares[j] > LEAST_OVERLAP), key=lambda j: -shares[j])
        wanted |= {(min(i, j), max(i, j)) for j in best[: flight.neighbours]}
    return sorted(wanted)


def _sort_out(
    noted: Noted, poses: np.ndarray, k1: float, pairs: Sequence[Pair], marks: Marks, flight: FlightSettings
) -> tuple[list[int], list[Problem]]:
    """The largest group, and groups that by what was noted lie well apart from all kept; the others are problems."""
    groups = groups_of(len(poses), pairs)
    kept = list(groups[0])
    problems: list[Problem] = []
    marked = {k for k in range(len(poses)) if (marks.i == k).sum() >= 2}
    placed = np.isfinite(noted.xy_cm).all(axis=1)
    anchored = bool(placed[kept].any() or marked & set(kept))
    for members in groups[1:]:
        known = anchored and (all(placed[k] for k in members) or bool(marked & set(members)))
        slack = 0.0 if marked & set(members) and marked & set(kept) else 300 * flight.gps_error_m
        apart = known and not any(
            _overlaps(noted, poses, k1, a, b, slack) or _overlaps(noted, poses, k1, b, a, slack)
            for a in members
            for b in kept
        )
        if apart:
            kept += members
            continue
        why = (
            "lies by its noted position so near to other frames that plants might count twice"
            if known
            else "shows nothing in common with the others, and its position is not noted"
        )
        for k in members:
            problems.append(
                Problem(
                    noted.looks[k].path,
                    f"{noted.looks[k].path.name} could not be laid on the other frames of the flight, and {why}.",
                    "Fly with more overlap (60 % and more), slower or higher, in even light; or count it by itself.",
                )
            )
    return sorted(kept), problems


def _frames(
    noted: Noted,
    poses: np.ndarray,
    k1: float,
    pairs: Sequence[Pair],
    kept: list[int],
    problems: list[Problem],
    marks: Marks,
    flight: FlightSettings,
) -> Frames:
    number = {k: n for n, k in enumerate(kept)}
    pairs = [pair for pair in pairs if pair.first in number]
    seams = []
    for pair in pairs:
        fit, check = (_distance_mm(noted, poses, k1, pair, held) for held in (False, True))
        seams.append(Seam(number[pair.first], number[pair.second], pair.found, fit, check))
    frames = [_placed(noted, poses, k1, k, number[k], seams, marks, flight) for k in kept]
    notes = list(noted.notes)
    alone = [frame.path.name for frame in frames if not frame.laid_on]
    if alone and len(frames) > 1:
        shown = ", ".join(alone[:5]) + (f" and {len(alone) - 5} more" if len(alone) > 5 else "")
        notes.append(f"Placed by noted positions alone, away from the others: {shown}.")
    marked = len(set(marks.i.tolist()) & set(kept))
    if marked:
        notes.append(f"Place and scale by {len(marks.i)} control points in {marked} frames.")
    elif noted.boards:
        notes.append(f"Scale by ground boards in {noted.boards} frame{'s' if noted.boards > 1 else ''}.")
    elif noted.heights_given:
        notes.append("Scale by the height of flight as given.")
    else:
        notes.append(
            "Scale by noted heights: what they are off by, all lengths are. A board or control points tell better."
        )
    off = np.hypot(*(poses[kept, :2] - noted.xy_cm[kept]).T) / 100
    off = off[np.isfinite(off)]
    if len(off) > 1 and pairs:
        wrong = off > FAR_OFF * flight.gps_error_m
        notes.append(
            f"Noted positions lie {np.sqrt((off[~wrong] ** 2).mean()):.1f} m (root mean square) from the places found."
            if not wrong.all()
            else "Noted positions lie far from the places found."
        )
        if wrong.any() and not wrong.all():
            notes.append(f"{int(wrong.sum())} of them lie {off[wrong].min():.0f} m off and more, and are not believed.")
    if k1:
        notes.append(f"Radial distortion estimated from the overlaps: k1 = {k1:.4f}.")
    result = Frames(
        tuple(frames),
        noted.origin_m,
        noted.crs_wkt,
        noted.crs_name,
        tuple(seams),
        tuple(problems),
        tuple(notes),
        float(k1),
    )
    if not result.frames:
        raise NoScale("No frame could be placed.", "Fly with more overlap.")
    return result


def _distance_mm(noted: Noted, poses: np.ndarray, k1: float, pair: Pair, held: bool) -> float:
    sights = _sights(noted, [pair], held)
    if not len(sights.i):
        return float("nan")
    apart = on_ground(poses[sights.i], sights.a, k1) - on_ground(poses[sights.j], sights.b, k1)
    return float(10 * np.sqrt((apart**2).sum(axis=1).mean()))


def _placed(
    noted: Noted,
    poses: np.ndarray,
    k1: float,
    k: int,
    number: int,
    seams: Sequence[Seam],
    marks: Marks,
    flight: FlightSettings,
) -> PlacedFrame:
    look, lens = noted.looks[k], noted.lenses[k]
    if lens is None and k1:
        longer = max(look.width_px, look.height_px)
        lens = LensProfile(noted.K[k, 0, 0] / longer, k1=k1, name="from overlaps")
    own = [seam for seam in seams if number in (seam.first, seam.second)]
    squares = [seam.check_mm**2 for seam in own if np.isfinite(seam.check_mm)]
    tilt = float(np.rad2deg(np.hypot(poses[k, 4], poses[k, 5])))
    flagged = flags.bit("off_nadir") if tilt > flight.flag_off_nadir_deg else 0
    sure = noted.heights_given or noted.boards or len(marks.i) >= 2
    flagged |= 0 if sure else flags.bit("by_altitude")
    ground = overhead_map(
        Pose(*poses[k]),
        noted.K[k],
        look.width_px,
        look.height_px,
        "flight",
        lens,
        residual_mm=float(np.sqrt(np.mean(squares))) if squares else float("nan"),
        flags=flagged,
    )
    return PlacedFrame(look.path, ground, len(own))
