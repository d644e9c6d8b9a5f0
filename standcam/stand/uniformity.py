"""Evenness of emergence: which plants came late, how many in a row, and whether they stand beside skips.

A late plant is one that is two or more leaf stages (some 12 days) behind its neighbours: Liu et al. 2004, Crop
Sci. 44:847-854, and Iowa State University, ICM, 22 May 2006. Where a scout noted leaf stages, or who is late, that
counts. A photo has only the green area of each plant, held against that of its neighbours along the row. Area is
at ground scale, so that plants far from the camera are no smaller for it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from standcam import flags, tables
from standcam.errors import BadSettings
from standcam.estimate import Estimate
from standcam.settings import StatisticsSettings
from standcam.spacing.intervals import holm
from standcam.spacing.metrics import OPEN
from standcam.stand.chance import ChanceTest, at_least, beside_counts, clustered_share, run_counts
from standcam.stand.published import LateCase, late_cases, late_losses_in_words, late_losses_overall
from standcam.stand.scouted import scouted
from standcam.tables import Column, Table

_KEYS = ["photo", "plot", "row"]

BY_SCOUT, BY_STAGE, BY_SIZE = "scout", "leaf stage", "size"
"""How a plant was judged: by a scout's yes or no, by its leaf stage, by its green area."""

LATE_ROWS = Table(
    "late_rows",
    (
        *tables.ROWS.columns[:3],
        Column("plants", "int64", "", "crop plants of known place"),
        Column("judged_plants", "int64", "", "plants of which it could be told whether they are late"),
        Column("late_plants", "int64", "", "of these, late"),
        Column("late_pct", "float64", "%", "100 late / judged"),
        Column("longest_late_run", "int64", "", "most late plants in sequence"),
        Column("late_beside_skip", "int64", "", "late plants that stand at an end of a skip"),
        Column("basis", "str", "", "how late plants were told: scout, leaf stage or size"),
    ),
)

LATE_PLANTS = Table(
    "late_plants",
    (
        *tables.PLANTS.columns[:4],
        Column("position_cm", "float64", "cm", "place along the row"),
        Column("relative_size", "float64", "1", "green area / median of the neighbours' that are not late"),
        Column("stages_behind", "float64", "1", "leaf stages behind the median of the row's neighbours"),
        Column("judged", "bool", "", "whether it could be told"),
        Column("late", "bool", "", "two or more leaf stages behind its neighbours, as far as the basis tells"),
        Column("beside_skip", "bool", "", "stands at an end of a skip"),
        Column("basis", "str", "", "scout, leaf stage or size"),
    ),
)


@dataclass(frozen=True)
class LateSettings:
    """What passes for late."""

    stages_behind: float = 2.0
    """Leaf stages behind the neighbours from which a plant is late (Liu et al. 2004; Iowa State 2006). [1]"""
    late_size: float = 1 / 3
    """A plant with less than this share of its neighbours' green area is late. Seen from above, a maize plant of the
    project's own generator that is two leaves behind shows 0.12 of their area at three leaves, 0.22 at four, 0.28 at
    five and 0.33 at six; one leaf behind 0.42 to 0.61. In photos leaves of neighbours lap over the small plant and are
    counted as its own: 0.37 was measured in the median. See ``FOUND_PCT`` for what that leads to. Wrong for stands of
    mixed hybrids. [1]"""
    smallest_cm2: float = 8.0
    """Where the usual plant shows less green than this (below some three leaves), one leaf more or less changes its
    area threefold, so that size does not tell lateness. [cm²]"""
    neighbours: int = 8
    """Plants that are compared with: the nearest in sequence, on both sides where there are. Wrong where size changes
    within a metre of row."""
    fewest_neighbours: int = 4
    """With fewer, a plant is not judged."""
    edge_cm: float = 8.0
    """Plants nearer than this to an end of the measured stretch may be cut by the picture's edge, and are not judged
    by size. Wrong for plants of more than six leaves. [cm]"""
    clump_cm: float = 5.0
    """Within this distance a photo does not tell whose leaf is whose: doubtful finds lend their area to the one crop
    plant among them, and where there are two crop plants none is judged by size. [cm]"""

    def __post_init__(self) -> None:
        for name in ("stages_behind", "late_size", "smallest_cm2", "neighbours", "fewest_neighbours", "clump_cm"):
            if not getattr(self, name) > 0:
                raise BadSettings(f"{name} is {getattr(self, name)}.", "It must be greater than zero.")


FOUND_PCT = (45.0, 75.0)
"""Share of the plants two or more leaves behind that size finds: 14 of 30 on generated scenes of four and five leaves,
11 of 15 on path-traced ones. [%]"""
FALSE_LATE_PCT = (2.0, 5.0)
"""Share of plants not behind that pass for late by size: 3 of 136 and 31 of 604 on the same scenes, which also served
to choose ``late_size``. [%]"""


@dataclass(frozen=True)
class Uniformity:
    """How evenly a stand came up."""

    late_share_pct: Estimate
    """Late plants of those judged; rows are the sampling unit, no interval from a single row. [%]"""
    plants: int
    """Crop plants of known place."""
    judged: int
    """Of these, plants of which it could be told whether they are late."""
    late: int
    rows: int
    """Rows with a judged plant."""
    basis: tuple[tuple[str, int], ...]
    """How plants were judged, and how many so."""
    late_runs: tuple[int, ...]
    """Runs of 1, 2, 3 ... late plants in sequence."""
    late_together: ChanceTest
    """Late plants next to late plants."""
    skips_together: ChanceTest
    """Skips next to skips."""
    late_beside_skips: ChanceTest
    """Late plants at the ends of skips."""
    published: tuple[LateCase, ...]
    """Published losses of maize, every case."""
    table: pd.DataFrame
    """LATE_ROWS: one line a row."""
    plants_table: pd.DataFrame
    """LATE_PLANTS: one line a crop plant."""
    notes: tuple[str, ...]
    """What was done otherwise than expected, and what does not tell."""
    share_words: tuple[str, ...] = ()
    """How many are late, and how that is known."""
    cluster_words: tuple[str, ...] = ()
    """Whether late plants and skips stand together."""
    loss_words: tuple[str, ...] = ()
    """What was published on such late plants."""

    @property
    def sentences(self) -> tuple[str, ...]:
        """All of it in plain words: the answer, its range, what cannot be told."""
        return (*self.share_words, *self.cluster_words, *self.loss_words, *self.notes)


def emergence_uniformity(
    plants: pd.DataFrame,
    gaps: pd.DataFrame,
    late: LateSettings | None = None,
    statistics: StatisticsSettings | None = None,
    crop: str = "maize",
) -> Uniformity:
    """Late plants, their runs, and whether they and skips cluster.

    Parameters
    ----------
    plants : DataFrame
        PLANTS. A tape's further columns ``late`` (yes or no) and ``leaf_stage`` (``3``, ``V3``, ``VE``) count
        before size.
    gaps : DataFrame
        GAPS of the same rows, open ends included.
    late : LateSettings, optional
    statistics : StatisticsSettings, optional
        Confidence.
    crop : str
        Published losses are of maize; other crops get none.

    Notes
    -----
    The tests hold the number of late plants and of skips in each row fixed and ask how often their order, if
    random, would bring as many together. The permutation distribution is computed exactly, not drawn. p values of
    the three are adjusted together (Holm 1979).
    """
    late, statistics = late or LateSettings(), statistics or StatisticsSettings()
    plants, gaps = tables.conform(tables.PLANTS, plants), tables.conform(tables.GAPS, gaps)
    notes: list[str] = []
    scout, stage = scouted(plants, notes)
    table = _judged(plants, gaps, scout, stage, late)
    rows = _by_row(table)
    judged, n_late = int(rows["judged_plants"].sum()), int(rows["late_plants"].sum())
    some = rows["judged_plants"].to_numpy() > 0
    share = clustered_share(
        rows["late_plants"].to_numpy()[some], rows["judged_plants"].to_numpy()[some], statistics.level
    ).scaled(100)
    alpha = 1 - statistics.level
    segments = _segments(table)
    together = at_least(
        "late plants next to late plants", "late plants stand together", *run_counts([mark for mark, _ in segments])
    )
    skips = at_least("skips next to skips", "skips come together", *run_counts(_skips(gaps)))
    beside = at_least("late plants at the ends of skips", "late plants stand beside skips", *beside_counts(segments))
    together, skips, beside = _adjusted((together, skips, beside), alpha)
    basis = tuple(
        (name, int((table["judged"] & (table["basis"] == name)).sum()))
        for name in (BY_SCOUT, BY_STAGE, BY_SIZE)
        if (table["judged"] & (table["basis"] == name)).any()
    )
    runs = _run_lengths([mark for mark, _ in segments])
    published = late_cases() if crop.strip().lower() in ("maize", "corn") else ()
    unclassed = bool(len(gaps)) and bool((gaps.loc[gaps["kind"] != OPEN, "kind"] == "").all())
    if unclassed and (gaps["kind"] != OPEN).any():
        notes.append("No theoretical spacing is known, so that there are no skips to compare with.")
    result = Uniformity(
        share, len(table), judged, n_late, int(some.sum()), basis, runs, together, skips, beside, published,
        rows, table, tuple(notes),
    )  # fmt: skip
    return replace(
        result,
        share_words=tuple(_share_words(result, late)),
        cluster_words=tuple(_cluster_words(result)),
        loss_words=tuple(_loss_words(result)),
    )


# ---- plants


def _judged(
    plants: pd.DataFrame, gaps: pd.DataFrame, scout: np.ndarray, stage: np.ndarray, settings: LateSettings
) -> pd.DataFrame:
    """LATE_PLANTS of all rows, each in sequence."""
    # weeds stand beside the row; what the row itself holds is a plant, or a doubtful find that is part of one
    off_row = ~plants["is_crop"].to_numpy(bool) & ~(plants["offset_cm"].abs().to_numpy(float) <= settings.clump_cm)
    keep = np.flatnonzero(plants["position_cm"].notna().to_numpy() & ~off_row)
    if not len(keep):
        return tables.empty(LATE_PLANTS)
    group = plants.groupby(_KEYS, sort=False).ngroup().to_numpy()
    place = plants["position_cm"].to_numpy(float)
    keep = keep[np.lexsort((place[keep], group[keep]))]
    size = _own_size(plants.iloc[keep], place[keep], group[keep], settings.clump_cm)
    crop = plants["is_crop"].to_numpy(bool)[keep]
    keep, size = keep[crop], size[crop]
    table = plants.iloc[keep][[*_KEYS, "plant", "position_cm", "flags"]].reset_index(drop=True)
    size[_cut(table, gaps, settings.edge_cm)] = np.nan

    ratio, usual, behind = (np.full(len(keep), np.nan) for _ in range(3))
    bounds = np.flatnonzero(np.diff(group[keep], prepend=-1, append=-1))
    for begin, end in itertools.pairwise(bounds):
        row = slice(begin, end)
        ratio[row], usual[row] = _relative_size(size[row], settings)
        behind[row] = _stages_behind(stage[keep[row]], settings)
    mark = scout[keep]
    bases = [np.isfinite(mark), np.isfinite(behind), np.isfinite(ratio) & (usual >= settings.smallest_cm2)]
    basis = np.select(bases, [BY_SCOUT, BY_STAGE, BY_SIZE], default="")
    late = np.select(bases, [mark == 1, behind >= settings.stages_behind, ratio < settings.late_size], default=False)
    return tables.conform(
        LATE_PLANTS,
        table.drop(columns="flags").assign(
            relative_size=ratio,
            stages_behind=behind,
            judged=basis != "",
            late=late,
            beside_skip=_beside_skips(table, gaps),
            basis=basis,
        ),
    )


def _own_size(row: pd.DataFrame, place: np.ndarray, group: np.ndarray, clump_cm: float) -> np.ndarray:
    """Green area of each plant; NaN where two crop plants stand too near to part their leaves. (n,) [cm²]"""
    parted = np.r_[True, (np.diff(place) > clump_cm) | (np.diff(group) != 0)]
    clump = np.cumsum(parted) - 1
    crop_plants = np.bincount(clump, weights=row["is_crop"].to_numpy(bool))[clump]
    area = row["area_cm2"].to_numpy(float)
    total = np.bincount(clump, weights=np.nan_to_num(area))[clump]
    return np.where((crop_plants == 1) & np.isfinite(area), total, np.nan)


def _cut(table: pd.DataFrame, gaps: pd.DataFrame, edge_cm: float) -> np.ndarray:
    """Plants that the edge of the picture may cut. (n,) bool"""
    codes, words = pd.factorize(table["flags"])
    cut = np.array([bool(flags.parse(text) & flags.bit("at_edge")) for text in words], bool)[codes]
    ends = gaps.assign(to_cm=gaps["from_cm"] + gaps["gap_cm"]).groupby(_KEYS, sort=False)
    ends = ends.agg(begin=("from_cm", "min"), end=("to_cm", "max")).reset_index()
    known = table[_KEYS].merge(ends, on=_KEYS, how="left")
    place = table["position_cm"].to_numpy(float)
    near = (place - known["begin"].to_numpy(float) < edge_cm) | (known["end"].to_numpy(float) - place < edge_cm)
    return cut | near


def _beside_skips(table: pd.DataFrame, gaps: pd.DataFrame) -> np.ndarray:
    """Plants at an end of a skip. (n,) bool"""
    skips = gaps[gaps["kind"].str.startswith("skip")]
    ends = pd.concat(
        [skips[[*_KEYS, end]].rename(columns={end: "plant"}) for end in ("from_plant", "to_plant")]
    ).dropna(subset="plant")
    ends = ends.assign(plant=ends["plant"].astype("int64")).drop_duplicates()
    found = table[[*_KEYS, "plant"]].merge(ends.assign(_beside=True), on=[*_KEYS, "plant"], how="left")
    return found["_beside"].notna().to_numpy()


def _stages_behind(stage: np.ndarray, settings: LateSettings) -> np.ndarray:
    """Leaf stages behind the median of neighbours whose stage is known. (n,) -> (n,)"""
    behind = np.full(len(stage), np.nan)
    known = np.flatnonzero(np.isfinite(stage))
    for i in known.tolist():
        near = _nearest(known, i, settings.neighbours)
        if len(near) >= settings.fewest_neighbours:
            behind[i] = np.median(stage[near]) - stage[i]
    return behind


def _relative_size(size: np.ndarray, settings: LateSettings) -> tuple[np.ndarray, np.ndarray]:
    """Size over the median of neighbours, and that median. (n,) -> (n,), (n,)

    Medians of logarithms, for sizes scatter by factors. Plants found late in a first pass, against twice as many
    neighbours, are no measure for others in the second: else a run of late plants would make itself the usual.
    """
    log = np.log(np.maximum(size, 1e-3))
    known = np.flatnonzero(np.isfinite(size))
    measure = known
    ratio, usual = np.full(len(size), np.nan), np.full(len(size), np.nan)
    for most in (2 * settings.neighbours, settings.neighbours):
        for i in known.tolist():
            near = _nearest(measure, i, most)
            if len(near) >= settings.fewest_neighbours:
                usual[i] = math.exp(np.median(log[near]))
                ratio[i] = size[i] / usual[i]
        measure = known[~(ratio[known] < settings.late_size)]
    return ratio, usual


def _nearest(candidates: np.ndarray, i: int, most: int) -> np.ndarray:
    """The candidates nearest to plant ``i`` in sequence, itself left out."""
    others = candidates[candidates != i]
    return others[np.argsort(np.abs(others - i), kind="stable")[:most]]


# ---- sums over rows


def _by_row(table: pd.DataFrame) -> pd.DataFrame:
    lines = []
    for key, part in table.groupby(_KEYS, sort=False):
        judged, late = part["judged"].to_numpy(bool), part["late"].to_numpy(bool)
        runs = _run_lengths([mark for mark, _ in _segments(part)])
        lines.append(
            {
                **dict(zip(_KEYS, key, strict=True)),
                "plants": len(part),
                "judged_plants": int(judged.sum()),
                "late_plants": int(late.sum()),
                "late_pct": 100 * late.sum() / judged.sum() if judged.any() else np.nan,
                "longest_late_run": len(runs),
                "late_beside_skip": int((late & part["beside_skip"].to_numpy(bool)).sum()),
                "basis": "; ".join(b for b in dict.fromkeys(part["basis"]) if b),
            }
        )
    return tables.conform(LATE_ROWS, pd.DataFrame(lines)) if lines else tables.empty(LATE_ROWS)


def _segments(table: pd.DataFrame) -> list[tuple[np.ndarray, np.ndarray]]:
    """Late marks and places beside skips, of stretches of judged plants in sequence.

    A plant that was not judged parts two stretches.
    """
    row = table.groupby(_KEYS, sort=False).ngroup().to_numpy()
    judged = table["judged"].to_numpy(bool)
    late, beside = table["late"].to_numpy(bool), table["beside_skip"].to_numpy(bool)
    starts = np.flatnonzero((np.diff(row) != 0) | ~judged[1:] | ~judged[:-1]) + 1
    parts = np.split(np.arange(len(table)), starts)
    return [(late[part], beside[part]) for part in parts if len(part) and judged[part[0]]]


def _run_lengths(rows: Sequence[np.ndarray]) -> tuple[int, ...]:
    """How many runs of 1, 2, 3 ... marks; empty without any."""
    lengths: list[int] = []
    for row in rows:
        bounds = np.diff(np.r_[0, row.astype(int), 0])
        lengths += (np.flatnonzero(bounds == -1) - np.flatnonzero(bounds == 1)).tolist()
    return tuple(np.bincount(lengths)[1:].tolist()) if lengths else ()


def _skips(gaps: pd.DataFrame) -> list[np.ndarray]:
    """Whether each closed gap, in order, is a skip: one array a row, gaps without a class left out."""
    closed = gaps[(gaps["kind"] != OPEN) & (gaps["kind"] != "")].sort_values("from_cm", kind="stable")
    is_skip = closed["kind"].str.startswith("skip").to_numpy(bool)
    return [is_skip[at] for at in closed.groupby(_KEYS, sort=False).indices.values()]


def _adjusted(tests: tuple[ChanceTest, ...], alpha: float) -> tuple[ChanceTest, ...]:
    """Tests with p values adjusted for their number (Holm), those that cannot tell left out."""
    p = holm(np.array([t.p if t.told else np.nan for t in tests]))
    return tuple(t.adjusted(float(own), alpha) if t.told else t for t, own in zip(tests, p, strict=True))


# ---- words


def _share_words(u: Uniformity, settings: LateSettings) -> list[str]:
    if not u.judged:
        return [f"Late plants cannot be told: {_why_not(u) if u.plants else 'there are no plants.'}"]
    share, by_size = u.late_share_pct, dict(u.basis).get(BY_SIZE, 0)
    interval = (
        f"; {100 * share.level:.0f} % interval {_pct(share.low)} to {_pct(share.high)}, rows as the unit"
        if math.isfinite(share.low)
        else "; one row, so no interval"
    )
    said = [f"{u.late} of {u.judged} plants are late ({_pct(share.value)}{interval})."]
    ways = {
        BY_SCOUT: "by the scout's mark",
        BY_STAGE: f"by leaf stage, {settings.stages_behind:g} or more behind their neighbours",
        BY_SIZE: f"by size, below {settings.late_size:.2f} of the green area of their neighbours",
    }
    said.append("Late was told " + "; ".join(f"{ways[name]} ({n} plants)" for name, n in u.basis) + ".")
    if by_size:
        said.append(
            f"Size in pictures is a rough sign: on generated scenes it found {FOUND_PCT[0]:.0f} to {FOUND_PCT[1]:.0f} "
            f"of 100 plants two leaves behind, and {FALSE_LATE_PCT[0]:.0f} to {FALSE_LATE_PCT[1]:.0f} of 100 others "
            "passed for late. Compare rows with it; for the share itself note leaf stages in the field."
        )
    if _no_more_than_errors(u):
        said.append(
            f"So small a share cannot be told from none by size (up to {FALSE_LATE_PCT[1]:.0f} % pass for late where "
            "none is)."
        )
    if u.judged < u.plants:
        said.append(
            f"{u.plants - u.judged} of {u.plants} plants were not judged: at the edge of a picture, in a double, too "
            "young, or without neighbours."
        )
    return said


def _cluster_words(u: Uniformity) -> list[str]:
    said = []
    if u.late_runs:
        runs = [f"{n} of {k} plant{'s' if k > 1 else ''}" for k, n in enumerate(u.late_runs, start=1) if n]
        said.append(f"Runs of late plants: {', '.join(runs)}.")
    tests = (u.late_together, u.late_beside_skips, u.skips_together) if u.judged else (u.skips_together,)
    return said + [test.sentence for test in tests]


def _loss_words(u: Uniformity) -> list[str]:
    if not u.published:
        return ["Published losses by late plants are of maize; none are given for this crop."]
    if not u.late:
        return []
    if _no_more_than_errors(u):
        return [late_losses_overall(u.published)]
    return late_losses_in_words(u.published, u.late_share_pct)


def _no_more_than_errors(u: Uniformity) -> bool:
    """So few late plants, told by size, that errors alone might make them."""
    return bool(dict(u.basis).get(BY_SIZE, 0)) and u.late_share_pct.value <= FALSE_LATE_PCT[1]


def _why_not(u: Uniformity) -> str:
    if u.plants_table["relative_size"].notna().any():
        return "the plants are too small yet for their size to tell; note leaf stages, or look again in a week."
    return "no leaf stage was noted, and no size is known of enough neighbours; add a column leaf_stage to the tape."


def _pct(value: float) -> str:
    return f"{value:.0f} %" if value >= 10 or value == 0 else f"{value:.1f} %"
