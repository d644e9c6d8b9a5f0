"""The planter's diagnosis as people read it: screen, checklist and figures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from standcam import units
from standcam.estimate import Estimate
from standcam.planter import arithmetic
from standcam.planter.checklist import CAUTIONS, Item
from standcam.planter.diagnosis import Diagnosis, length, percent, speed
from standcam.report import wording
from standcam.report.wording import plural
from standcam.spacing.metrics import OPEN

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure
    from rich.console import Console
    from rich.table import Table

    from standcam.planter.mixture import PlanterFit

ITEMS_ON_SCREEN = 6
"""Causes on the screen; the checklist file has them all."""


# ---- sentences


def answer(d: Diagnosis, us: bool) -> list[str]:
    """What the planter did, in a few sentences."""
    fit = d.fit
    said = [
        f"Without a plant: {percent(fit.skip_share)} of the seed places. Doubles: {percent(fit.double_share)} of the "
        f"filled places.",
        f"Placement: plants stand {length(fit.placement_sd_cm, us)} about their places (SD), so single spacings vary "
        f"by {percent(d.precision)}"
        + (
            f"; the error of measuring, {length(Estimate(d.measured_error_cm), us)} a gap, is taken out."
            if math.isfinite(d.measured_error_cm)
            else "."
        ),
    ]
    said.append(
        f"From {plural(d.rows, 'row')} of {wording.row_length(d.row_length_cm, _system(us))} in all, about "
        f"{fit.seed_places:.0f} seed places {length(fit.fitted_spacing_cm, us)} apart."
    )
    if math.isfinite(d.nominal_cm):
        off = fit.fitted_spacing_cm.value / d.nominal_cm - 1
        if abs(off) >= 0.01:
            said.append(
                f"Seed lies {100 * abs(off):.0f} % {'wider' if off > 0 else 'closer'} than the "
                f"{length(Estimate(d.nominal_cm), us)} that were set."
            )
    return said


def unit_sentences(d: Diagnosis, us: bool) -> list[str]:
    """Which units differ."""
    if d.units is None:
        return []
    said = []
    for line in d.units.table.itertuples():
        if line.verdict:
            numbers = []
            if "missing" in line.verdict:
                numbers.append(f"{percent(share_of(line, 'missing'))} without a plant")
            if "doubles" in line.verdict:
                numbers.append(f"{percent(share_of(line, 'double'))} doubles")
            if "placement" in line.verdict:
                numbers.append(f"placement {length(scatter_of(line), us)}")
            said.append(f"Unit {line.row_unit}: {line.verdict} than the others ({'; '.join(numbers)}).")
    if not said and len(d.units.table) > 1:
        low = min(((v, k) for k, v in d.units.overall_p.items() if math.isfinite(v)), default=(math.nan, ""))
        said.append("No unit differs from the others beyond chance.")
        if low[0] < 0.05:
            said[-1] += (
                f" Together they vary in {low[1]} more than chance makes them (p {low[0]:.2g}): measure more rows of "
                "the first in the list."
            )
    return said


def displaced_sentence(d: Diagnosis) -> str:
    """Short and long spacings side by side."""
    x = d.displaced
    if not x.pairs:
        return ""
    text = (
        f"Of {x.short_gaps} short and {x.long_gaps} long spacings, {plural(x.pairs, 'pair')} "
        f"{'stands' if x.pairs == 1 else 'stand'} side by side and together make two spacings"
    )
    if x.p_value < 0.01 and x.excess >= 2:
        return (
            f"{text}; {x.by_chance:.1f} would by chance. So about {x.excess:.0f} seeds were out of place, not doubled "
            "and skipped."
        )
    return f"{text}: no more than by chance ({x.by_chance:.1f})."


def rate_sentences(d: Diagnosis, us: bool) -> list[str]:
    """Seeds per second, disc turns and what a delay does."""
    rate = d.rate
    if not math.isfinite(rate.speed_kmh):
        if rate.cells is None:
            return []
        turn = wording.row_length(rate.turn_length_cm, _system(us))
        return [f"One turn of a disc of {rate.cells} cells plants {turn}."]
    said = (
        f"At {speed(rate.speed_kmh, us)} and {length(Estimate(rate.spacing_cm), us)} each row drops "
        f"{rate.seeds_per_second:.1f} seeds a second"
    )
    if rate.cells is not None:
        said += (
            f": {rate.disc_rpm:.0f} turns a minute of a disc of {rate.cells} cells, "
            f"{wording.row_length(rate.turn_length_cm, _system(us))} of row a turn"
        )
    delay = arithmetic.release_delay_ms(rate.speed_kmh, d.fit.placement_sd_cm.value)
    return [
        f"{said}. 10 ms late puts a seed {length(Estimate(rate.shift_of_10_ms_cm), us)} off; the scatter seen is "
        f"{delay:.0f} ms."
    ]


def recurrence_sentence(d: Diagnosis, us: bool) -> str:
    """Recurring faults, with the length of row that a turn takes."""
    text = d.periodicity.sentence
    turn = d.rate.cells or (d.periodicity.found[0].cells if d.periodicity.found else 30)
    if not d.periodicity.cells or d.periodicity.found:
        cm = arithmetic.turn_length_cm(d.fit.fitted_spacing_cm.value, turn)
        text += f" {turn} seeds are {wording.row_length(cm, _system(us))} of row."
    return text


def _first(d: Diagnosis, us: bool) -> list[str]:
    recurs = [recurrence_sentence(d, us)] if d.periodicity.found else []
    return [*unit_sentences(d, us), *recurs, *answer(d, us)]


def _drop(d: Diagnosis, us: bool) -> list[str]:
    recurs = "" if d.periodicity.found else recurrence_sentence(d, us)
    return [t for t in (displaced_sentence(d), recurs, *rate_sentences(d, us)) if t]


def cannot_tell(d: Diagnosis) -> list[str]:
    """Limits of these data."""
    return [*(d.units.power if d.units else ()), *(d.units.notes if d.units else ()), *d.notes]


# ---- screen


def show(
    d: Diagnosis,
    us: bool,
    to: Console,
    emergence: Sequence[str] = (),
    notes: Sequence[str] = (),
    out: str = "",
) -> None:
    """Print the diagnosis: answer, units, what recurs, missing plants, what to look at, limits, cautions."""

    def line(text: str) -> None:
        from rich.text import Text

        to.print(Text(wording.printable(text)))

    def head(text: str) -> None:
        to.print()
        to.print(f"[bold]{text}[/bold]")

    for text in _first(d, us):
        line(text)
    if d.units is not None and len(d.units.table):
        head("Row units, the one farthest off first")
        table = units_table(d.units.table, us)
        from rich.measure import Measurement

        wide = to.options.update(max_width=10_000)
        if Measurement.get(to, wide, table).maximum <= to.width:
            to.print(table)
        else:
            for r in d.units.table.itertuples():
                line(
                    f"Unit {r.row_unit}: no plant {percent(share_of(r, 'missing'))}, "
                    f"doubles {percent(share_of(r, 'double'))}, placement {length(scatter_of(r), us)}, "
                    f"CV {wording.percent(r.cv_pct)}" + (f": {r.verdict}" if r.verdict else "")
                )
    head("Missing plants")
    for text in d.missing.sentences:
        line(text)
    head("Seed drop and disc")
    for text in _drop(d, us):
        line(text)
    if emergence:
        head("Evenness of emergence")
        for text in emergence:
            line(text)
    head("Look at, in this order")
    if not d.items:
        line("Nothing in these numbers points to a fault of the planter.")
    elif not any(item.sure for item in d.items):
        line("Nothing is sure; possible are:")
    said = ""
    for n, item in enumerate(d.items[:ITEMS_ON_SCREEN], 1):
        if item.evidence[0] != said:
            said = item.evidence[0]
            line(f"Seen: {said}.")
        line(f"  {n}. {item.cause.name} ({item.cause.group}{'' if item.sure else ', possible'})")
    if len(d.items) > ITEMS_ON_SCREEN:
        line(f"and {len(d.items) - ITEMS_ON_SCREEN} more, with what to do and sources, in checklist.md.")
    limits = [*cannot_tell(d), *notes]
    if limits:
        head("What cannot be told")
        for text in limits:
            line(text)
    to.print()
    for text in CAUTIONS:
        line(text)
    if out:
        line(f"Table, checklist and pictures are in {out}")


def units_table(table: pd.DataFrame, us: bool) -> Table:
    """The ranked units as a screen table."""
    from rich.table import Table

    out = Table(box=None, padding=(0, 1, 0, 0), pad_edge=False, header_style="bold")
    scatter = f"placement\n{'in' if us else 'cm'}"
    for name in ("unit", "rows", "seed\nplaces", "no plant\n%", "doubles\n%", scatter, "CV\n%"):
        out.add_column(name, justify="right", no_wrap=True)
    out.add_column("differs", no_wrap=True)
    for r in table.itertuples():
        out.add_row(
            wording.printable(str(r.row_unit)),
            str(r.rows),
            str(r.seed_places),
            percent(share_of(r, "missing")).replace(" %", ""),
            percent(share_of(r, "double")).replace(" %", ""),
            length(scatter_of(r), us).replace(" in", "").replace(" cm", ""),
            wording.number(r.cv_pct),
            r.verdict,
        )
    return out


# ---- files


def checklist_text(d: Diagnosis, us: bool, emergence: Sequence[str] = (), notes: Sequence[str] = ()) -> str:
    """The checklist as Markdown, fit to print and take along."""
    lines = ["# What to look at on the planter", ""]
    lines += [f"**{CAUTIONS[0]}**", "", CAUTIONS[1], "", "## What was seen", ""]
    lines += [f"- {t}" for t in (*_first(d, us), *d.missing.sentences, *_drop(d, us))]
    for title, items in (
        ("Where the numbers point", [i for i in d.items if i.sure]),
        ("Possible, not sure", [i for i in d.items if not i.sure]),
    ):
        if items:
            lines += ["", f"## {title}", ""]
            lines += [text for n, item in enumerate(items, 1) for text in _item_lines(n, item)]
    if not d.items:
        lines += ["", "Nothing in these numbers points to a fault of the planter."]
    if emergence:
        lines += ["", "## Evenness of emergence", "", *(f"- {t}" for t in emergence)]
    limits = [*cannot_tell(d), *notes]
    if limits:
        lines += ["", "## What cannot be told", "", *(f"- {t}" for t in limits)]
    lines += ["", CAUTIONS[2], ""]
    return _safe("\n".join(lines))


def _safe(text: str) -> str:
    """Text whose lines any program can show."""
    return "\n".join(wording.printable(line) for line in text.split("\n"))


def _item_lines(n: int, item: Item) -> list[str]:
    return [
        f"{n}. [ ] **{item.cause.name}** ({item.cause.group})",
        f"   - {item.cause.look}",
        *(f"   - Seen: {e}." for e in item.evidence),
        f"   - Tie of sign and cause: {item.cause.source}.",
    ]


def spacing_chart(d: Diagnosis, gaps: pd.DataFrame, us: bool) -> bytes:
    """Spacings as counted, with the fitted planter drawn over them (PNG)."""
    from standcam.report.chart import png

    return png(spacing_figure(d.fit, gaps, us))


def spacing_figure(fit: PlanterFit, gaps: pd.DataFrame, us: bool, width_in: float = 7.0) -> Figure:
    """Spacings as counted, with the fitted planter drawn over them."""
    from standcam.planter.mixture import gap_density
    from standcam.report.chart import COLOURS, FAINT, INK, new_chart

    unit = units.CM_PER_INCH if us else 1.0
    s = fit.fitted_spacing_cm.value
    gap = gaps.loc[gaps["kind"] != OPEN, "gap_cm"].to_numpy(float)
    end = min(max(3.6, float(np.quantile(gap, 0.995)) / s + 0.6), 6.6) * s
    beyond = int((gap > end).sum())
    width = s / (8 if len(gap) >= 150 else 4)
    edges = np.arange(0, end + width, width)
    figure, ax = new_chart(width_in=width_in, height_in=4.4 if width_in > 6 else 3.4)
    ax.hist(gap, edges, color="#b9d3dd", edgecolor="white", linewidth=0.6)
    for patch in ax.patches:  # drawn in cm, shown in the wanted unit
        patch.set_x(patch.get_x() / unit)
        patch.set_width(patch.get_width() / unit)
    x = np.linspace(0, end, 600)
    ax.plot(x / unit, gap_density(fit, x) * len(gap) * width, color=COLOURS[0], linewidth=2.4)
    top = max(float(np.histogram(gap, edges)[0].max()), float(np.nanmax(gap_density(fit, x)) * len(gap) * width))
    ax.set_ylim(0, 1.22 * top)
    ax.set_xlim(0, end / unit)
    names = ("double", "single", "1 missing", "2 missing", "3 missing", "4", "5")
    if width_in < 6:
        names = ("double", "single", "1 missing", "2", "3", "4", "5")
    for k, text in enumerate(names):
        left, right = max(k - 0.5, 0) * s, (k + 0.5) * s
        if right > end + 1e-6:
            break
        ax.text((left + right) / 2 / unit, 1.19 * top, text, ha="center", va="top", fontsize=12, color=INK)
        ax.axvline(right / unit, color=FAINT, linewidth=1, linestyle=(0, (4, 3)))
    ax.grid(False, axis="x")
    ax.set_xlabel(f"spacing of neighbours, {'in' if us else 'cm'}")
    ax.set_ylabel("spacings")
    more = f"; {beyond} longer not shown" if beyond else ""
    tail = f"\n{len(gap)} spacings{more}" if width_in < 6 else f" ({len(gap)} spacings{more})"
    ax.set_title(
        f"Places without a plant {_round(fit.skip_share)}, doubles {_round(fit.double_share)},\n"
        f"placement {length(Estimate(fit.placement_sd_cm.value), us)}{tail}",
        loc="left",
    )
    return figure


def units_chart(d: Diagnosis, us: bool) -> bytes:
    """Row units ranked, the one farthest off on top, with intervals; those that surely differ stand out."""
    from standcam.report.chart import COLOURS, FAINT, INK, new_chart, png

    assert d.units is not None
    table = d.units.table.head(24)
    n = len(table)
    height = 1.9 + 0.36 * max(n, 4)
    figure, axes = new_chart(1, 3, width_in=7.0, height_in=height)
    factor = 1 / units.CM_PER_INCH if us else 1.0
    y = np.arange(n)[::-1]
    panels = (
        ("missing", "pct", 1.0, "no plant, %", "missing", 100 * d.units.others["missing"]),
        ("double", "pct", 1.0, "doubles, %", "doubles", 100 * d.units.others["doubles"]),
        ("placement_sd", "cm", factor, f"placement, {'in' if us else 'cm'}", "placement",
         d.units.others["placement"] * factor),
    )  # fmt: skip
    for ax, (name, unit, scale, label, measure, whole) in zip(axes, panels, strict=True):
        value = table[f"{name}_{unit}"].to_numpy(float) * scale
        low = table[f"{name}_low_{unit}"].to_numpy(float) * scale
        high = table[f"{name}_high_{unit}"].to_numpy(float) * scale
        off = np.array([measure in v for v in table["verdict"]], bool)
        ax.axvline(whole, color=FAINT, linewidth=1.2, linestyle=(0, (4, 3)))
        for at, v, a, b, sure in zip(y, value, low, high, off, strict=True):
            colour = COLOURS[1] if sure else COLOURS[0]
            if math.isfinite(a):
                ax.plot([a, b], [at, at], color=colour, linewidth=4 if sure else 2.4, solid_capstyle="round")
            ax.plot([v], [at], marker="o", markersize=9 if sure else 7, color=colour)
        ax.set_xlim(left=0)
        ax.set_ylim(-0.7, n - 0.3)
        ax.set_yticks(y)
        ax.grid(False, axis="y")
        ax.set_xlabel(label)
        if ax is axes[0]:
            ax.set_yticklabels([wording.printable(str(u))[:12] for u in table["row_unit"]], fontsize=13, color=INK)
            ax.set_ylabel("row unit")
        else:
            ax.set_yticklabels([])
    differ = [str(u) for u, v in zip(table["row_unit"], table["verdict"], strict=True) if v]
    title = f"Unit {', '.join(differ)}: differs from the others" if differ else "No unit differs beyond chance"
    if len(differ) > 1:
        title = f"Units {', '.join(differ)}: differ from the others"
    figure.suptitle(f"{title}\n", x=0.01, ha="left", fontsize=14, color=INK)
    legend = f"bar: {100 * d.fit.skip_share.level:.0f} % interval; dashed: units that do not differ"
    figure.text(0.01, 1 - 0.34 / height, legend, fontsize=11, color=FAINT, va="top")
    return png(figure)


def _round(e: Estimate) -> str:
    return f"{100 * e.value:.{1 if e.value < 0.0995 else 0}f} %"


def share_of(line: Any, name: str) -> Estimate:
    """Share with its interval from one line of UNITS: missing or double. [1]"""
    value, low, high = (getattr(line, f"{name}_{end}pct") / 100 for end in ("", "low_", "high_"))
    return Estimate(value, low, high)


def scatter_of(line: Any) -> Estimate:
    """Placement with its interval from one line of UNITS. [cm]"""
    return Estimate(line.placement_sd_cm, line.placement_sd_low_cm, line.placement_sd_high_cm)


def _system(us: bool) -> str:
    return "us" if us else "si"


def fit_record(d: Diagnosis) -> dict[str, Any]:
    """The pooled numbers for run.json, in SI."""
    fit = d.fit
    named = {
        "spacing_cm": fit.fitted_spacing_cm, "skip_share": fit.skip_share, "double_share": fit.double_share,
        "placement_sd_cm": fit.placement_sd_cm, "meter_skip_share": d.missing.skipped,
        "failed_share": d.missing.failed, "emergence_share": d.missing.emergence,
    }  # fmt: skip
    return {
        name: None if e is None else {"value": e.value, "low": e.low, "high": e.high, "level": e.level}
        for name, e in named.items()
    } | {"gaps": d.gaps, "rows": d.rows, "seed_places": fit.seed_places, "displaced_pairs": d.displaced.pairs}
