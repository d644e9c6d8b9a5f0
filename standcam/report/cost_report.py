"""What uneven spacing may cost, on the screen, as a table and as a picture: always a range over the studies."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pandas as pd
from rich.markup import escape
from rich.table import Table as Grid

from standcam import units
from standcam.estimate import Estimate
from standcam.report import wording
from standcam.stand.cost import Cost
from standcam.stand.payback import StudyPayback
from standcam.stand.yield_risk import Loss, SpacingSd
from standcam.tables import Column, Table
from standcam.units import bu_per_acre

if TYPE_CHECKING:
    from rich.console import Console

ALL_ROWS = "all rows"

COST = Table(
    "cost",
    (
        Column("scope", "str", "", "all rows, or one row unit of the planter"),
        Column("study", "str", "", "published finding"),
        Column("finding", "str", "", "what it found, in its own units"),
        Column("source", "str", "", "where it was published"),
        Column("mark", "str", "", "seen, memory or derived: how the finding is known"),
        Column("rows", "int64", "", "rows with a spacing SD"),
        Column("corrected_rows", "int64", "", "of these, rows whose error of measurement was taken out of the SD"),
        Column("sd_gap_cm", "float64", "cm", "SD of spacing within these rows"),
        Column("sd_gap_cm_low", "float64", "cm", "lower end of its interval, rows as the unit"),
        Column("sd_gap_cm_high", "float64", "cm", "upper end"),
        Column("loss_kg_per_ha", "float64", "kg/ha", "by this study; missing where it names no slope"),
        Column("loss_kg_per_ha_low", "float64", "kg/ha", "at the lower end of the SD"),
        Column("loss_kg_per_ha_high", "float64", "kg/ha", "at the upper end of the SD"),
        Column("loss_pct", "float64", "%", "of yield, where the study or the expected yield tell"),
        Column("loss_t", "float64", "t", "over the area, a season"),
        Column("loss_money", "float64", "", "over the area, a season, in the money of the price"),
        Column("gain_money_low", "float64", "", "a season, by the repair, at the nearest goal"),
        Column("gain_money_high", "float64", "", "at the farthest goal"),
        Column("payback_seasons_low", "float64", "", "until the repair is paid; inf: never"),
        Column("payback_seasons_high", "float64", "", "at the nearest goal; inf: never"),
        Column("break_even_ha_low", "float64", "ha", "area at which one season pays the repair; inf: never"),
        Column("break_even_ha_high", "float64", "ha", "at the nearest goal; inf: never"),
    ),
)

CAUTIONS = (
    "Published slopes are averages of other fields, years and hybrids; none was measured in yours. Before money is "
    "spent, ask local extension or a licensed adviser.",
    "Before work on a planter: park, shut down, lower or block the machine. The operator's manual and a trained "
    "technician have the last word.",
)


# ---- table


def cost_table(cost: Cost) -> pd.DataFrame:
    """COST: one line a study, for all rows and for each row unit."""
    paid = {p.study: p for p in cost.payback.studies} if cost.payback else {}
    lines = [_line(ALL_ROWS, cost.sd, loss, cost, paid.get(loss.study.name)) for loss in cost.risk.losses]
    for unit in cost.row_units:
        lines += [_line(f"row unit {unit.name}", unit.sd, loss, cost, None) for loss in unit.risk.losses]
    return pd.DataFrame(lines, columns=COST.names)


def _line(scope: str, sd: SpacingSd, loss: Loss, cost: Cost, paid: StudyPayback | None) -> dict[str, object]:
    # a row unit plants its share of the area only, which is not known here
    tonnes = loss.kg_per_ha.value / 1000 * cost.asked.area_ha if scope == ALL_ROWS else math.nan
    line: dict[str, object] = {
        "scope": scope,
        "study": loss.study.name,
        "finding": loss.study.finding,
        "source": loss.study.source,
        "mark": loss.study.mark,
        "rows": sd.rows,
        "corrected_rows": sd.corrected_rows,
        **_ends("sd_gap_cm", sd.sd_gap_cm),
        **_ends("loss_kg_per_ha", loss.kg_per_ha),
        "loss_pct": loss.percent.value,
        "loss_t": tonnes,
        "loss_money": tonnes * cost.asked.price_per_t,
    }
    if paid is not None:
        for name, (low, high) in (
            ("gain_money", paid.gain_a_season),
            ("payback_seasons", paid.seasons),
            ("break_even_ha", paid.break_even_ha),
        ):
            line |= {f"{name}_low": low, f"{name}_high": high}
    return line


def _ends(name: str, value: Estimate) -> dict[str, float]:
    return {name: value.value, f"{name}_low": value.low, f"{name}_high": value.high}


# ---- screen


def show(cost: Cost, to: Console) -> None:
    """Print the answer, its range, what cannot be told, and cautions."""
    for line in _answer(cost):
        to.print(_text(line))
    to.print()
    to.print(_studies_grid(cost))
    for loss in cost.risk.losses:
        if not loss.study.computed:
            to.print(_text(f"  No slope: {loss.study.finding} ({loss.study.name})."))
    if cost.row_units:
        to.print()
        to.print(_units_grid(cost))
        to.print(_text("Units measured on few rows differ by chance too; standcam planter tests which do."))
    late = cost.uniformity
    for head, lines in (
        ("Missing plants and doubles, another question:", list(_route(cost))),
        ("What decides:", list(_decides(cost))),
        ("Payback:", list(_payback(cost))),
        ("Late plants:", [*late.share_words, *late.loss_words, *late.notes]),
        ("Cannot be told:", list(_untold(cost))),
        ("Caution:", list(CAUTIONS)),
    ):
        if lines:
            to.print(f"\n[bold]{head}[/bold]")
            for line in lines:
                to.print(_text(f"  {line}"))


def _answer(cost: Cost) -> Iterator[str]:
    sd, risk, system = cost.sd.sd_gap_cm, cost.risk, _units(cost)
    low, high = risk.range_kg_per_ha
    yield f"Yield at risk from uneven spacing: {_yields(low, high, system)}, by study. No single number holds."
    text = f"SD of the spacings: {wording.spacing(sd.value, system)}"
    if math.isfinite(sd.low):
        interval = f"{100 * sd.level:.0f} % interval {_between(sd.low, sd.high, system)}"
        text += f" ({interval}; {cost.sd.rows} rows as the unit)"
    else:
        text += " (one row, so no interval)"
    yield f"{text}, {cost.sd.words}."
    if math.isfinite(sd.low):
        yield f"With that interval taken in: {_yields(*risk.widest_kg_per_ha, system)}."
    if math.isfinite(cost.asked.area_ha):
        text = f"On {_area(cost.asked.area_ha, system)}, a season: {_amount(low, high, cost.asked.area_ha, system)}"
        if math.isfinite(cost.asked.price_per_t):
            worth = cost.asked.area_ha * cost.asked.price_per_t / 1000
            text += f", worth {_span(low * worth, high * worth, system)} at your price"
        yield text + "."
    elif math.isfinite(cost.asked.price_per_t):
        worth = cost.asked.price_per_t / 1000 / (units.ACRES_PER_HA if system == "us" else 1.0)
        worded = _span(low * worth, high * worth, system)
        yield f"Worth {worded} per {'acre' if system == 'us' else 'ha'} at your price."
    if sd.value <= risk.threshold_cm:
        yield (
            f"An SD up to {wording.spacing(risk.threshold_cm, system)} is the best that a field can expect: no study "
            "sees anything to gain."
        )


def _studies_grid(cost: Cost) -> Grid:
    system = _units(cost)
    grid = Grid(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    grid.add_column("study", overflow="fold")
    grid.add_column(f"loss\n{_yield_unit(system)}", justify="right", no_wrap=True)
    grid.add_column("with SD's\ninterval", justify="right", no_wrap=True)
    grid.add_column("what it found", overflow="fold")
    for loss in cost.risk.losses:
        if not loss.study.computed:
            continue
        kg = loss.kg_per_ha
        value = _number(kg.value, system) if kg.known else f"{loss.percent.value:.1f} %"
        in_kg = kg.known and math.isfinite(kg.high)
        ends = _pair(kg.low, kg.high, system) if in_kg else _percents(loss.percent)
        beyond = " (your SD lies outside what it tested)" if loss.outside else ""
        grid.add_row(_text(loss.study.name), value, ends, _text(loss.study.finding + beyond))
    return grid


def _units_grid(cost: Cost) -> Grid:
    system = _units(cost)
    grid = Grid(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    grid.add_column("row\nunit", overflow="fold")
    for name in ("rows", f"SD\n{'in' if system == 'us' else 'cm'}", "interval\n", f"at risk\n{_yield_unit(system)}"):
        grid.add_column(name, justify="right", no_wrap=True)
    for unit in sorted(cost.row_units, key=lambda u: -u.sd.sd_gap_cm.value):
        sd = unit.sd.sd_gap_cm
        grid.add_row(
            _text(unit.name),
            str(unit.sd.rows),
            wording.spacing(sd.value, system, unit=False),
            _between(sd.low, sd.high, system, unit=False) if math.isfinite(sd.low) else wording.NOTHING,
            _pair(*unit.risk.range_kg_per_ha, system),
        )
    return grid


def _route(cost: Cost) -> Iterator[str]:
    route = cost.route
    if route is None:
        return
    system = _units(cost)
    skips, doubles, net = (
        f"{_number(kg, system)} {_yield_unit(system)}"
        for kg in (route.skips_kg_per_ha, route.doubles_kg_per_ha, abs(route.net_kg_per_ha))
    )
    verdict = f"{net} lost" if route.net_kg_per_ha > 0 else f"{net} won, for seed that was planted twice"
    yield (
        "Nafziger 1996 found that skips and doubles act through the number of plants. Here missing plants would cost "
        f"{skips} ({-route.net_skip:.2f} of a plant for each) and second plants bring {doubles} "
        f"({route.net_double:.2f} for each): {verdict}."
    )
    yield (
        "That counts plants missing from a full stand, whatever the reason, while the slopes above are of the SD: do "
        "not add the two. Scatter alone makes some spacings look like doubles and skips, so both counts are high."
    )
    if route.clamped:
        yield "Your population lies outside the 18,000 to 30,000 plants/ac that he studied; the nearer end serves."


def _decides(cost: Cost) -> Iterator[str]:
    low, high = cost.risk.range_kg_per_ha
    if high == 0:
        return
    between = high - low
    steepest = max(cost.risk.computed, key=lambda loss: loss.kg_per_ha.value).kg_per_ha
    system = _units(cost)
    within = steepest.high - steepest.low
    if not math.isfinite(within):
        yield f"Which study holds for your field: at this SD they lie {_one(between, system)} apart."
    elif between >= within:
        yield (
            f"Which study holds for your field, most of all: at this SD they lie {_one(between, system)} apart, while "
            f"the interval of the SD moves the steepest of them by {_one(within, system)}. More rows help little."
        )
    else:
        yield (
            f"The SD itself, most of all: its interval moves the steepest study by {_one(within, system)}, while the "
            f"studies lie {_one(between, system)} apart. Measure more rows first."
        )


def _payback(cost: Cost) -> Iterator[str]:
    if cost.no_payback:
        yield cost.no_payback
    paid = cost.payback
    if paid is None:
        return
    system = _units(cost)
    aims = " or ".join(f"{wording.spacing(g.sd_cm, system)} ({g.words})" for g in paid.goals)
    now = wording.spacing(paid.sd_now_cm, system)
    yield f"Repair of all row units: {_grouped(paid.cost, 0, system)}. SD down from {now} to {aims}."
    if math.isfinite(paid.area_ha):
        low, high = paid.gain_a_season
        yield f"Gain a season on {_area(paid.area_ha, system)}: {_span(low, high, system)}."
        short, long = paid.seasons
        yield f"Paid back: {_seasons(short)} to {_seasons(long)}."
    finite = [end for line in paid.studies for end in line.break_even_ha if math.isfinite(end)]
    if finite:
        small, large = _area(min(finite), system), _area(max(finite), system)
        yield f"One season pays it on {small} (steepest study, farthest goal) to {large} (flattest that finds a loss)."
    never = sum(math.isinf(s.break_even_ha[0]) for s in paid.studies)
    yield f"By {never} of {len(paid.studies)} studies it never pays through spacing."
    yield "Not counted: interest, later wear, labour, and what the same repair does for population and emergence."


def _untold(cost: Cost) -> Iterator[str]:
    yield (
        "Which study your field follows: only plots with the old and the mended planter side by side, harvested and "
        "weighed, tell (standcam trial)."
    )
    system = _units(cost)
    if math.isfinite(cost.floor_cm):
        yield (
            "How much of the SD is the planter's: by its germination a lot planted without fault still leaves "
            f"{wording.spacing(cost.floor_cm, system)}; failed emergence adds to it."
        )
    else:
        yield "How much of the SD is the planter's and how much seed that did not come up; standcam planter parts them."
    if any(not loss.kg_per_ha.known and loss.percent.value > 0 for loss in cost.risk.losses):
        yield "Lauer and Rankin 2004 in yield: it is in per cent; give --yield-t-ha or --yield-bu-acre."
    if math.isnan(cost.sd.sd_gap_cm.low):
        yield "How the SD varies over the field: one row has no interval. Measure at least five, far apart."
    yield from cost.notes


# ---- picture


def cost_chart(cost: Cost) -> bytes:
    """PNG: loss by study at the SD, and over its interval."""
    from standcam.report.chart import COLOURS, FAINT, INK, new_chart, png

    system = _units(cost)
    shown = [loss for loss in cost.risk.losses if loss.study.computed]
    shown.sort(key=lambda loss: (loss.kg_per_ha.value if loss.kg_per_ha.known else -1, loss.study.name), reverse=True)
    figure, ax = new_chart(width_in=7.0, height_in=0.55 * len(shown) + 1.9)
    factor = bu_per_acre(1.0) if system == "us" else 1.0
    for y, loss in enumerate(reversed(shown)):
        kg = loss.kg_per_ha.scaled(factor)
        if not kg.known:
            ax.annotate(f" {loss.percent.value:.1f} % of yield", (0, y), va="center", fontsize=11, color=INK)
            continue
        if math.isfinite(kg.low) and math.isfinite(kg.high):
            ax.plot([kg.low, kg.high], [y, y], color=COLOURS[0], linewidth=7, alpha=0.35, solid_capstyle="butt")
        ax.plot([kg.value], [y], "o", color=COLOURS[0], markersize=10, zorder=5)
        right = kg.high if math.isfinite(kg.high) else kg.value
        nothing = "0, found no effect" if loss.study.effect == "none" else "0 at this SD"
        ax.annotate(
            _number(loss.kg_per_ha.value, system) if kg.value else nothing,
            (max(right, kg.value), y),
            xytext=(9, 0),
            textcoords="offset points",
            va="center",
            fontsize=12,
            color=INK,
        )
    ax.set_yticks(range(len(shown)), [loss.study.name for loss in reversed(shown)], fontsize=12)
    ax.set_ylim(-0.6, len(shown) - 0.4)
    ax.grid(False, axis="y")
    ax.axvline(0, color=FAINT, linewidth=1.2)
    left, right = ax.get_xlim()
    ax.set_xlim(min(left, 0), max(right * 1.12, 1 if system == "us" else 50))
    ax.set_xlabel(f"yield at risk [{_yield_unit(system)}]")
    sd = cost.sd.sd_gap_cm
    title = f"Yield at risk: {_yields(*cost.risk.range_kg_per_ha, system)}"
    title += f" at a spacing SD of {wording.spacing(sd.value, system)}"
    if math.isfinite(sd.low):
        title += f"\ndot: at the SD; bar: over its {100 * sd.level:.0f} % interval, {_between(sd.low, sd.high, system)}"
    figure.suptitle(title, fontsize=13, color=INK, x=0.02, ha="left", linespacing=1.5)
    return png(figure)


# ---- numbers in words


def _text(words: str) -> str:
    """Text with no markup of its own, fit for any terminal."""
    return escape(wording.printable(words))


def _units(cost: Cost) -> str:
    return cost.settings.output.units


def _number(kg: float, system: str) -> str:
    """A loss in kg per ha or bushels per acre, without its unit."""
    if not math.isfinite(kg):
        return wording.NOTHING
    if system == "us":
        bushels = bu_per_acre(kg)
        return f"{bushels:.1f}" if bushels else "0"
    return _round(kg, system)


def _yield_unit(system: str) -> str:
    return "bu/ac" if system == "us" else "kg/ha"


def _pair(low: float, high: float, system: str) -> str:
    if not (math.isfinite(low) and math.isfinite(high)):
        return wording.NOTHING
    ends = _number(low, system), _number(high, system)
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"


def _percents(percent: Estimate) -> str:
    return f"{percent.low:.1f} to {percent.high:.1f} %" if math.isfinite(percent.low) else wording.NOTHING


def _yields(low: float, high: float, system: str) -> str:
    return f"{_pair(low, high, system)} {_yield_unit(system)}"


def _one(kg: float, system: str) -> str:
    return f"{_number(kg, system)} {_yield_unit(system)}"


def _between(low: float, high: float, system: str, unit: bool = True) -> str:
    return f"{wording.spacing(low, system, unit=False)} to {wording.spacing(high, system, unit=unit)}"


def _amount(low: float, high: float, area_ha: float, system: str) -> str:
    if system == "us":
        bushels = bu_per_acre(1.0) * area_ha * units.ACRES_PER_HA
        return f"{_span(low * bushels, high * bushels, system)} bu"
    return f"{_span(low / 1000 * area_ha, high / 1000 * area_ha, system)} t"


def _area(ha: float, system: str) -> str:
    value, name = (ha * units.ACRES_PER_HA, "acres") if system == "us" else (ha, "ha")
    return f"{_round(value, system)} {name}"


def _span(low: float, high: float, system: str) -> str:
    ends = _round(low, system), _round(high, system)
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"


def _grouped(value: float, decimals: int, system: str) -> str:
    text = f"{value:,.{decimals}f}"
    return text if system == "us" else text.replace(",", " ")


def _round(value: float, system: str) -> str:
    """Three digits, thousands parted: more would be make-believe."""
    if value == 0:
        return "0"
    digits = 2 - math.floor(math.log10(abs(value)))
    return _grouped(round(value, digits), min(max(digits, 0), 2), system)


def _seasons(value: float) -> str:
    if math.isinf(value):
        return "never"
    if value <= 1:
        return "within one season"
    return f"{value:.1f} seasons" if value < 10 else f"{value:.0f} seasons"
