"""What the planter did, put together: from gaps and rows to findings, and from those to a checklist."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from standcam import flags
from standcam.errors import TooFewData
from standcam.estimate import Estimate
from standcam.planter import arithmetic
from standcam.planter.checklist import Item, Sign, checklist
from standcam.planter.contrasts import PIECE, dispersion
from standcam.planter.missing import NORMAL_FIELD_LOSS, MissingSplit, split_missing
from standcam.planter.periodicity import Periodicity, recurrences
from standcam.planter.places import KEYS, Displaced, SeedPlaces, displaced_pairs, seed_places
from standcam.planter.units import UnitComparison, compare_units
from standcam.settings import Settings
from standcam.spacing.metrics import OPEN
from standcam.units import CM_PER_INCH

if TYPE_CHECKING:
    from standcam.planter.mixture import PlanterFit

FEWEST_GAPS_OF_A_UNIT = 30
"""A unit with fewer gaps is not fitted by itself; its shares come from counted places."""
DOUBLES_HIGH = 0.03
"""Doubles above this are worth a look: 2.9 % at the best speed of Kus 2021, below 2 % in a survey of North Dakota
(Ransom). [1]"""
SCATTER_HIGH = 0.20
"""SD of single spacings over theoretical spacing (the precision of ISO 7256-1) above this is worth a look; 15.3 % at
the best speed of Kus 2021. The line of 20 % is chosen by us. [1]"""
FAST_KMH = 8.0
"""Above this, singulation was seen to fall (Purdue, 2011: from 5 mph upward). [km/h]"""
RATE_OFF = 0.03
"""Fitted and set spacing may differ so much by scale, tape and slip. Chosen by us. [1]"""


@dataclass(frozen=True)
class Diagnosis:
    """What the spacing says of the planter."""

    fit: PlanterFit
    """Of all rows together."""
    unit_fits: Mapping[str, PlanterFit]
    """Of each row unit with gaps enough."""
    nominal_cm: float
    """Spacing the planter was set to; NaN when it was not told. [cm]"""
    places: SeedPlaces
    displaced: Displaced
    units: UnitComparison | None
    """None where no row unit is known."""
    periodicity: Periodicity
    missing: MissingSplit
    rate: arithmetic.SeedRate
    patches: tuple[float, float]
    """Dispersion of missing plants between pieces of a row (1 is chance), and its p."""
    signs: tuple[Sign, ...]
    items: tuple[Item, ...]
    """What to look at, in order."""
    gaps: int
    rows: int
    row_length_cm: float
    measured_error_cm: float
    """Root mean square of the error of gaps by the measuring itself; NaN where unknown, as for a tape. [cm]"""
    notes: tuple[str, ...]

    @property
    def precision(self) -> Estimate:
        """SD of single spacings over the spacing: two scatters of one plant each. [1]"""
        return self.fit.placement_sd_cm.scaled(math.sqrt(2) / self.fit.fitted_spacing_cm.value)


def diagnose(
    gaps: pd.DataFrame,
    rows: pd.DataFrame,
    settings: Settings | None = None,
    *,
    plants: pd.DataFrame | None = None,
    dug: int | None = None,
    seed_found: int | None = None,
    late_share: Estimate | None = None,
    fit_gaps: int | None = None,
) -> Diagnosis:
    """Diagnose a planter.

    Parameters
    ----------
    gaps : DataFrame
        GAPS, open ends included.
    rows : DataFrame
        ROWS, with a column ``row_unit`` where row units are known.
    settings : Settings, optional
        Spacing, planter, statistics, units of the evidence in words.
    plants : DataFrame, optional
        PLANTS, for the error of their positions.
    dug, seed_found : int, optional
        Gaps dug, and those of them that held seed.
    late_share : Estimate, optional
        Plants that came up late. [1]
    fit_gaps : int, optional
        The fit of all rows together takes rows by lot until they have so many gaps, for it takes milliseconds a gap;
        None takes all. Row units are fitted and compared by all of their gaps.

    Raises
    ------
    TooFewData
        No gap is known at all.
    """
    from standcam.planter.mixture import fit_planter, gap_errors

    settings = settings or Settings()
    us = settings.output.units == "us"
    level, seed = settings.statistics.level, settings.statistics.seed
    notes: list[str] = []
    gaps = _without_made_up_ends(gaps, rows)
    closed = gaps["kind"].to_numpy(object) != OPEN
    if not closed.any():
        raise TooFewData(
            "There is no spacing between two plants in these results.", "Count rows with a scale, or read a tape."
        )
    nominal, told = _nominal(rows, settings)
    error = np.full(len(gaps), np.nan) if plants is None else gap_errors(gaps, plants)
    some = np.ones(len(gaps), bool) if fit_gaps is None else _by_lot(gaps, fit_gaps, seed)
    if not some.all():
        notes.append(
            f"What the planter did on all rows together is told from {int((some & closed).sum())} of {closed.sum()} "
            "spacings, of rows drawn by lot."
        )
    fit = fit_planter(gaps[some], nominal if told else None, settings.statistics, error[some])
    if not fit.known:
        raise TooFewData(" ".join(fit.notes), "Measure more rows.")
    notes += fit.notes
    spacing = fit.fitted_spacing_cm.value
    # what is seen along the row holds the error of measuring too
    seen_sd = fit.single_sd_cm / math.sqrt(2)
    places = seed_places(gaps, spacing, seen_sd, fit.skip_share.value, fit.double_share.value)
    displaced = displaced_pairs(gaps, nominal if told else spacing, seed)

    keyed = places.keys.merge(rows, on=KEYS, how="left")
    unit_of = _unit_names(keyed)
    comparison: UnitComparison | None = None
    unit_fits: dict[str, PlanterFit] = {}
    if unit_of is None:
        if len(rows):
            notes.append(
                "Row units are not known: the row numbers of a photo, tape or strip are places in it, not units of the "
                "planter. All rows are taken together. Name the units in a plot map (--plot-map, column row_unit) or "
                "in a column row_unit of the tape file; for a strip give --planter-rows and --first-row."
            )
    else:
        at = closed_stretch(gaps[closed], places.keys)
        unit_fits = _fit_units(gaps, places, unit_of, spacing, settings, error)
        comparison = compare_units(
            places,
            unit_of,
            at,
            gaps.loc[closed, "gap_cm"].to_numpy(float),
            keyed["row_length_cm"].to_numpy(float),
            keyed["plants"].fillna(0).to_numpy(int),
            {u: (f.skip_share, f.double_share, f.placement_sd_cm) for u, f in unit_fits.items()},
            level,
            seed,
            settings.statistics.resamples,
        )
    if "treatment" in keyed:
        treatments = {str(t).strip() for t in keyed["treatment"].dropna()} - {""}
        if len(treatments) > 1:
            notes.append(
                f"Rows of {len(treatments)} treatments are taken together here: standcam trial sets them against each "
                "other. For the planter in one of them, measure or name its rows alone."
            )
    periodicity = recurrences(places, unit_of, settings.planter.cells_per_disc, level, seed)
    germination = settings.spacing.germination_pct
    missing = split_missing(
        fit.skip_share,
        fit.seed_places,
        None if germination is None else germination / 100,
        dug,
        seed_found,
        level=level,
        seed=seed,
    )
    rate = arithmetic.SeedRate(
        nominal if told else spacing, settings.planter.speed_kmh or math.nan, settings.planter.cells_per_disc
    )
    patches = _patches(places)
    signs = _signs(
        fit, nominal if told else math.nan, displaced, comparison, periodicity, missing, patches, rate, late_share, us
    )
    return Diagnosis(
        fit=fit,
        unit_fits=unit_fits,
        nominal_cm=nominal if told else math.nan,
        places=places,
        displaced=displaced,
        units=comparison,
        periodicity=periodicity,
        missing=missing,
        rate=rate,
        patches=patches,
        signs=signs,
        items=checklist(signs),
        gaps=int(closed.sum()),
        rows=len(places.keys),
        row_length_cm=float(np.nansum(keyed["row_length_cm"].to_numpy(float))),
        measured_error_cm=_root_mean_square(error),
        notes=tuple(notes),
    )


def _by_lot(gaps: pd.DataFrame, most: int, seed: int) -> np.ndarray:
    """Gaps of whole rows, drawn until about so many are together. (g,) bool"""
    row = gaps.groupby(KEYS, sort=True).ngroup().to_numpy()
    each = np.bincount(row)
    order = np.random.default_rng(seed).permutation(len(each))
    taken = order[: int(np.searchsorted(np.cumsum(each[order]), most)) + 1]
    return np.isin(row, taken)


def _root_mean_square(values: np.ndarray) -> float:
    known = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(known**2))) if len(known) else math.nan


def closed_stretch(gaps: pd.DataFrame, keys: pd.DataFrame) -> np.ndarray:
    """Which of the stretches each gap belongs to. (g,)"""
    index = {tuple(k): i for i, k in enumerate(keys[KEYS].itertuples(index=False))}
    return np.array([index[tuple(k)] for k in gaps[KEYS].itertuples(index=False)], int)


def _without_made_up_ends(gaps: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """A tape read from plant to plant has half a mean gap added to its ends: those tell nothing."""
    made_up = rows[[bool(flags.parse(f) & flags.bit("ends_at_plants")) for f in rows["flags"]]] if len(rows) else rows
    if not len(made_up):
        return gaps.reset_index(drop=True)
    names = {tuple(k) for k in made_up[KEYS].itertuples(index=False)}
    mine = np.array([tuple(k) in names for k in gaps[KEYS].itertuples(index=False)], bool)
    return gaps[~(mine & (gaps["kind"].to_numpy(object) == OPEN))].reset_index(drop=True)


def _nominal(rows: pd.DataFrame, settings: Settings) -> tuple[float, bool]:
    """Spacing the planter was set to, and whether anybody told it."""
    from standcam.spacing.nominal import theoretical_spacing

    nominal = theoretical_spacing(np.zeros(0), settings.spacing)
    if math.isfinite(nominal.spacing_cm):
        return nominal.spacing_cm, True
    given = rows[rows["nominal_source"].isin(["given", "seeding_rate"])]["nominal_spacing_cm"].dropna()
    if len(given) and (given == given.iloc[0]).all():
        return float(given.iloc[0]), True
    return math.nan, False


def _unit_names(keyed: pd.DataFrame) -> np.ndarray | None:
    if "row_unit" not in keyed:
        return None
    names = keyed["row_unit"].astype("object").where(keyed["row_unit"].notna(), "")
    out = np.array([_unit_name(n) for n in names], object)
    return out if any(out) else None


def _unit_name(value: object) -> str:
    text = str(value).strip()
    return text[:-2] if text.endswith(".0") and text[:-2].isdigit() else text


def _fit_units(
    gaps: pd.DataFrame, places: SeedPlaces, unit_of: np.ndarray, spacing: float, settings: Settings, error: np.ndarray
) -> dict[str, PlanterFit]:
    from standcam.planter.mixture import fit_planter

    unit = unit_of[closed_stretch(gaps, places.keys)]
    closed = gaps["kind"].to_numpy(object) != OPEN
    fits = {}
    for name in sorted({str(u) for u in unit_of if str(u)}):
        own = unit == name
        if (own & closed).sum() < FEWEST_GAPS_OF_A_UNIT:
            continue
        fit = fit_planter(gaps[own].reset_index(drop=True), spacing, settings.statistics, error[own])
        if fit.converged and fit.known:
            fits[name] = fit
    return fits


def _patches(places: SeedPlaces) -> tuple[float, float]:
    """Whether missing plants keep together within rows: dispersion between pieces of a row, and its p."""
    from scipy.stats import chi2

    n = places.lengths
    inside = np.arange(len(places.stretch)) - (np.cumsum(n) - n)[places.stretch]
    piece = np.unique(np.c_[places.stretch, inside // PIECE], axis=0, return_inverse=True)[1].ravel()
    trials, cases = np.bincount(piece), np.bincount(piece[places.missing], minlength=int(piece.max(initial=-1)) + 1)
    home = np.zeros(len(trials), int)
    home[piece] = places.stretch
    phi, degrees = dispersion(cases, trials, home)
    return phi, float(chi2.sf(phi * degrees, degrees)) if degrees else math.nan


def _signs(
    fit: PlanterFit,
    nominal: float,
    displaced: Displaced,
    comparison: UnitComparison | None,
    periodicity: Periodicity,
    missing: MissingSplit,
    patches: tuple[float, float],
    rate: arithmetic.SeedRate,
    late: Estimate | None,
    us: bool,
) -> tuple[Sign, ...]:
    signs: list[Sign] = []

    def against(name: str, value: Estimate, line: float, text: str) -> None:
        """A sign of 1 and more where even the lower end is above the line, below 1 where only the value is."""
        if not value.known:
            return
        sure = math.isfinite(value.low) and value.low > line
        if sure or value.value > line:
            far = min(value.value / line, 4.0) if line > 0 else 2.0
            signs.append(Sign(name, 1 + 0.25 * (far - 1) if sure else 0.6, text))

    share = percent(fit.skip_share)
    against(
        "missing", fit.skip_share, NORMAL_FIELD_LOSS[1],
        f"{share} of the seed places have no plant; 5 to 10 % of seed normally make none (Ohio State agronomy guide)",
    )  # fmt: skip
    if missing.skipped is not None and missing.failed is not None:
        against(
            "meter_skips", missing.skipped, 0.02,
            f"by digging, the meter left {percent(missing.skipped)} of the places empty",
        )  # fmt: skip
        against(
            "failed", missing.failed, NORMAL_FIELD_LOSS[0],
            f"by digging, seed lay and did not come up in {percent(missing.failed)} of the places",
        )  # fmt: skip
        # digging has told: what is left of the undecided sign would only blur it
        signs = [s for s in signs if s.name != "missing"]
    elif missing.most_skipped is not None and missing.beyond_germination_p < 0.05:
        signs.append(
            Sign(
                "missing", 1.0,
                f"{share} of the seed places have no plant, more than germination explains "
                f"(p {missing.beyond_germination_p:.2g})",
            )
        )  # fmt: skip
    against(
        "doubles", fit.double_share, DOUBLES_HIGH, f"{percent(fit.double_share)} of the filled places hold two or more"
    )
    precision = fit.placement_sd_cm.scaled(math.sqrt(2) / fit.fitted_spacing_cm.value)
    text = f"plants stand {length(fit.placement_sd_cm, us)} about their places, {percent(precision)} for a spacing"
    if math.isfinite(rate.speed_kmh):
        delay = arithmetic.release_delay_ms(rate.speed_kmh, fit.placement_sd_cm.value)
        text += f"; at {speed(rate.speed_kmh, us)} that is {delay:.0f} ms of early or late"
    against("scatter", precision, SCATTER_HIGH, text)
    if displaced.p_value < 0.01 and displaced.excess >= 2:
        signs.append(
            Sign(
                "displaced", 1.0,
                f"{displaced.pairs} short spacings stand beside a long one that makes up for them, "
                f"{displaced.by_chance:.1f} by chance: seed out of place, not skipped",
            )
        )  # fmt: skip
    if comparison is not None:
        signs += _unit_signs(comparison, fit, us)
    if missing.skipped is None:
        # meter or emergence: digging comes before anything that would be opened for it
        open_question = [s for s in signs if s.name in ("missing", "unit_missing")]
        if open_question:
            first = max(open_question, key=lambda s: s.strength)
            signs.append(Sign("undecided", first.strength, first.evidence))
    for r in periodicity.found:
        what = {"missing": "missing plants", "doubled": "doubles", "offset": "seeds out of place"}[r.signal]
        where = f" in unit {r.group}" if r.group else ""
        strength = 1.2 if r.p_value < 0.01 else 0.7
        signs.append(
            Sign(f"recurs_{r.signal}", strength, f"{what} come back every {r.cells} seeds{where} (p {r.p_value:.2g})")
        )
    if math.isfinite(patches[1]) and patches[1] < 0.01 and patches[0] > 1.3:
        signs.append(
            Sign(
                "patches", 1.0,
                f"missing plants keep together: between pieces of a row they vary {patches[0]:.1f} times as much as by "
                "chance",
            )
        )  # fmt: skip
    if math.isfinite(nominal):
        off = fit.fitted_spacing_cm.scaled(1 / nominal)
        if (off.low > 1 + RATE_OFF or off.high < 1 - RATE_OFF) if math.isfinite(off.low) else False:
            signs.append(
                Sign(
                    "rate", 1.2,
                    f"seed lies {length(fit.fitted_spacing_cm, us)} apart, set was {length(Estimate(nominal), us)}: "
                    f"{'too wide' if off.value > 1 else 'too close'} by {100 * abs(off.value - 1):.0f} %",
                )
            )  # fmt: skip
    if rate.speed_kmh > FAST_KMH and any(s.name in ("scatter", "doubles", "missing", "meter_skips") for s in signs):
        signs.append(
            Sign(
                "fast", 1.0, f"planted at {speed(rate.speed_kmh, us)}, {rate.seeds_per_second:.1f} seeds a second a row"
            )
        )
    if late is not None:
        against("late", late, 0.10, f"{percent(late)} of the plants came up late")
    return tuple(signs)


def _unit_signs(comparison: UnitComparison, fit: PlanterFit, us: bool) -> list[Sign]:
    signs = []
    for measure, name, column, unit in (
        ("missing", "unit_missing", "missing", "pct"),
        ("doubles", "unit_doubles", "double", "pct"),
        ("placement", "unit_scatter", "placement_sd", "cm"),
    ):
        worse = comparison.worse(measure)
        lines = comparison.table.set_index("row_unit").loc[worse]
        for row_unit, line in lines.iterrows():
            value = Estimate(line[f"{column}_{unit}"], line[f"{column}_low_{unit}"], line[f"{column}_high_{unit}"])
            p = line[f"{'placement' if measure == 'placement' else column}_p"]
            said = length(value, us) if unit == "cm" else percent(value.scaled(0.01))
            what = {"missing": "of the places without a plant", "doubles": "doubles", "placement": "scatter"}[measure]
            usual = comparison.others[measure]
            whole = length(Estimate(usual), us) if unit == "cm" else percent(Estimate(usual))
            signs.append(
                Sign(
                    name, 1.5,
                    f"unit {row_unit}: {said} {what}, the others {whole} "
                    f"({'p below 0.001' if p < 0.001 else f'p {p:.3f}'})",
                )
            )  # fmt: skip
    alike = comparison.overall_p.get("missing", math.nan)
    low = fit.skip_share.low if math.isfinite(fit.skip_share.low) else fit.skip_share.value
    if len(comparison.table) >= 4 and alike > 0.2 and low > NORMAL_FIELD_LOSS[0]:
        signs.append(
            Sign(
                "all_alike", 0.9,
                f"{percent(fit.skip_share)} of the places are empty, and all {len(comparison.table)} units alike (p "
                f"{alike:.2f} for a difference): seed or soil rather than one meter",
            )
        )  # fmt: skip
    return signs


# ---- numbers in words, for evidence


def percent(value: Estimate) -> str:
    """A share with its interval: ``6.1 % (4.9 to 7.5)``."""
    if not value.known:
        return "an unknown share"
    d = 1 if value.value < 0.0995 else 0
    ends = f" ({100 * value.low:.{d}f} to {100 * value.high:.{d}f})" if math.isfinite(value.low) else ""
    return f"{100 * value.value:.{d}f} %{ends}"


def length(cm: Estimate, us: bool) -> str:
    """A short length with its interval: ``2.1 cm (1.9 to 2.3)``."""
    value, d, name = (cm.scaled(1 / CM_PER_INCH), 2, "in") if us else (cm, 1, "cm")
    ends = f" ({value.low:.{d}f} to {value.high:.{d}f})" if math.isfinite(value.low) else ""
    return f"{value.value:.{d}f} {name}{ends}"


def speed(kmh: float, us: bool) -> str:
    """Ground speed: ``8.0 km/h`` or ``5.0 mph``."""
    return f"{arithmetic.mph(kmh):.1f} mph" if us else f"{kmh:.1f} km/h"
