"""Emergence over several visits on the screen and as a picture."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from rich.markup import escape
from rich.table import Table as Grid

from standcam.report import chart, screen, wording
from standcam.report.csv_tables import csv_text
from standcam.visits.register import DAYS, EMERGENCE, VISITS

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from rich.console import Console

    from standcam.visits.emergence import Emergence, PlotEmergence

MOST_CURVES = 6
"""Curves drawn; the slowest and the fastest of more plots."""
FEW_PLANTS = 30
CAUTIONS = (
    "Days to 50 % are known to the days between two visits; look every two or three days while plants come up.",
    "Neighbours of a late plant do not make up for it, neighbours of a gap do (Liu et al. 2004); what to do about "
    "either costs money: dig some empty places first, and let local extension or a licensed adviser decide.",
    "Before work on a planter: park, shut down, lower or block the machine. The operator's manual and a trained "
    "technician have the last word.",
)


def files(found: Emergence) -> dict[str, bytes | str]:
    """What the command writes, by file name."""
    return {
        "visits.csv": csv_text(VISITS, found.plants),
        "emergence.csv": csv_text(EMERGENCE, found.table),
        "emergence_days.csv": csv_text(DAYS, found.by_day),
        "emergence.png": emergence_chart(found),
    }


def _since(found: Emergence) -> str:
    return "after planting" if found.planted else "after the first visit"


def _number(value: float) -> str:
    return f"{value:.1f}".rstrip("0").rstrip(".")


def answer(found: Emergence) -> list[str]:
    """The answer, plot by plot, and its range."""
    said = []
    for plot in found.plots[:12]:
        t50 = plot.curve.t50
        name = "" if len(found.plots) == 1 else f"Plot {plot.plot}: "
        if t50.days.known:
            ends = "" if math.isnan(t50.days.low) else (
                f" ({_number(t50.days.low)} to {_number(t50.days.high)} by chance of {plot.curve.drawn}"
                f"; between the visits of day {_number(t50.after)} and day {_number(t50.by)})"
            )  # fmt: skip
            said.append(
                f"{name}Half of {plot.curve.plants} plants were up {t50.days.value:.1f} days {_since(found)}{ends}."
            )
        elif math.isfinite(t50.by):
            after = f"after day {_number(t50.after)} and " if math.isfinite(t50.after) else ""
            said.append(
                f"{name}Half of {plot.curve.plants} plants were up {after}by day {_number(t50.by)} {_since(found)}; "
                "the first visit came too late to tell more."
            )
        else:
            said.append(f"{name}No plant came up.")
    if len(found.plots) > 12:
        said.append(f"And {len(found.plots) - 12} more plots, see emergence.csv.")
    return said


def spread_lines(plot: PlotEmergence) -> list[str]:
    """Spread, late plants and losses of one plot."""
    line, spread = plot.line, plot.curve.spread
    said = []
    least, most = line["spread_days_least"], line["spread_days_most"]
    ends = (
        f"{_number(float(str(least)))} to {_number(float(str(most)))}"
        if most == most
        else f"{_number(float(str(least)))} or more"
    )
    if spread.known:
        said.append(f"From 10 to 90 %: {spread.value:.1f} days by straight lines; the visits allow {ends}.")
    elif least == least:
        said.append(f"From 10 to 90 %: the visits allow {ends} days.")
    return said


def missing_line(plot: PlotEmergence, late_days: float) -> list[str]:
    """Late against missing, in words."""
    line = plot.line
    said = []
    late = line["late_plants"]
    if isinstance(late, int):
        said.append(
            f"{late} plants came up {late_days:g} days or more after half of the plot ({line['late_least']} for sure, "
            f"{line['late_most']} at most)."
        )
    first, filled, last = (float(str(line[k])) for k in ("empty_first", "filled_later", "empty_last"))
    if first == first and last == last:
        said.append(
            f"Of {first:.0f} seed places that were empty on the first visit, some {filled:.0f} had a plant later: seed "
            f"that was there, and no skip of the planter. {wording.plural(round(last), 'place')} "
            f"{'stays' if round(last) == 1 else 'stay'} empty: skipped, or seed that failed. "
            "Dig there, and give what you find to `standcam planter`."
        )
    return said


def untold(found: Emergence) -> list[str]:
    """What the figures cannot tell."""
    said = []
    if found.planted is None:
        said.append("Days count from the first visit; --planted DATE makes them days after planting.")
    if not math.isfinite(found.nominal_cm):
        said.append("Empty seed places: no theoretical spacing is known; give --nominal-cm.")
    last = found.table["plants"].sum()
    only = int(((found.plants["seen"] == 1) & ~found.plants["doubtful"] & found.plants["everywhere"]).sum())
    if only:
        said.append(
            f"{only} of {last} plants were seen on the last visit only, which nothing bears out yet: some may be weeds "
            "or false finds."
        )
    for plot in found.plots:
        missed, lost = float(str(plot.line["missed_pct"])), int(str(plot.line["lost"]))
        name = "" if len(found.plots) == 1 else f"Plot {plot.plot}: "
        if missed > 5:
            said.append(
                f"{name}photos miss {missed:.0f} % of plants that are known to stand: such plants seem to come up "
                "later than they do, and lost ones may be missed ones."
            )
        if lost:
            said.append(
                f"{name}{wording.plural(lost, 'plant')} seen twice or more {'is' if lost == 1 else 'are'} gone."
            )
        unseen = int(str(plot.line["unseen_last"]))
        if unseen:
            often = f"; photos miss {missed:.0f} % of plants at any look" if missed == missed else ""
            said.append(
                f"{name}{wording.plural(unseen, 'plant')} seen before {'was' if unseen == 1 else 'were'} not seen on "
                f"the last visit: lost, or missed in the photo{often}. They count as standing."
            )
        if plot.curve.drawn == "plants":
            said.append(
                f"{name}one or two row sections tell nothing of other rows; the range is of these plants alone."
            )
        if 0 < plot.curve.plants < FEW_PLANTS:
            said.append(f"{name}{plot.curve.plants} plants are few.")
    doubtful = int(found.plants["doubtful"].sum())
    if doubtful:
        verb = "is" if doubtful == 1 else "are"
        said.append(f"{wording.plural(doubtful, 'find')} seen once and not again {verb} in no count.")
    return list(dict.fromkeys(said))


def day_table(found: Emergence) -> Grid:
    """Share up by each visit, one line a plot."""
    grid = Grid(box=None, pad_edge=False)
    grid.add_column("plot")
    grid.add_column("plants", justify="right")
    all_days = found.by_day.drop_duplicates("visit")
    for line in all_days.itertuples():
        grid.add_column(f"day {line.days:g}", justify="right")
    for plot in found.plots[:20]:
        cells = [wording.percent(v) if v == v else "-" for v in plot.days["emerged_pct"]]
        grid.add_row(escape(wording.printable(plot.plot)), str(plot.curve.plants), *cells)
    return grid


def show(found: Emergence, to: Console, notes: list[str], out: str) -> None:
    """Print the answer, the range, what cannot be told, and cautions."""
    lines = partial(screen.tell, to)
    lines(answer(found))
    to.print()
    to.print(day_table(found))
    for plot in found.plots[:12]:
        name = "Spread, late and missing" + ("" if len(found.plots) == 1 else f": plot {plot.plot}")
        lines([*spread_lines(plot), *missing_line(plot, found.settings.late_days)], name)
    lines([*untold(found), *found.notes, *notes], "What this cannot tell")
    lines(list(CAUTIONS), "Cautions")
    to.print(f"\nResults are in {escape(wording.printable(out))}")


def emergence_chart(found: Emergence) -> bytes:
    """PNG: share up by day, a curve a plot, with what chance leaves open."""
    return chart.png(emergence_figure(found.table, found.by_day))


def emergence_figure(table: pd.DataFrame, by_day: pd.DataFrame, width_in: float = 7.0) -> Figure:
    """Share up by day, a curve a plot.

    Parameters
    ----------
    table, by_day : DataFrame
        EMERGENCE and DAYS.
    width_in : float
        [inch]
    """
    planted = bool(len(table)) and bool((table["days_since"] == "planting").all())
    figure, ax = chart.new_chart(width_in=width_in, height_in=4.6 if width_in > 6 else 4.0)
    order = table
    if len(table) > MOST_CURVES:
        order = table.sort_values("t50_days", kind="stable", na_position="last")
        order = pd.concat([order.head(MOST_CURVES // 2), order.tail(MOST_CURVES - MOST_CURVES // 2)])
    days_of = dict(tuple(by_day.groupby(by_day["plot"].astype(str), sort=False)))
    for k, line in enumerate(order.itertuples()):
        own = days_of.get(str(line.plot))
        own = own[own["emerged_pct"].notna()] if own is not None else None
        if not line.plants or own is None or not len(own):
            continue
        colour = chart.COLOURS[k % len(chart.COLOURS)]
        days, share = own["days"].to_numpy(float), own["emerged_pct"].to_numpy(float)
        if planted and days[0] > 0:
            ax.plot([0, days[0]], [0, share[0]], color=colour, linewidth=1.2, linestyle=":")
        known = math.isfinite(line.t50_days)
        half = f", half by day {line.t50_days:.1f}" if known else ""
        label = f"{chart.plain(str(line.plot), 24)}: {line.plants} plants{half}"
        ax.plot(days, share, color=colour, linewidth=2.2, marker="o", markersize=7, label=label)
        low, high = own["emerged_pct_low"].to_numpy(float), own["emerged_pct_high"].to_numpy(float)
        if len(order) <= 3 and np.isfinite(low).all():
            ax.fill_between(days, low, high, color=colour, alpha=0.15, linewidth=0)
        if known:
            ax.plot([line.t50_days] * 2, [0, 50], color=colour, linewidth=1.4, linestyle="--")
    ax.axhline(50, color=chart.FAINT, linewidth=0.8)
    ax.set_ylim(0, 104 + (9 if width_in > 6 else 11) * len(order))
    ax.set_yticks([0, 20, 40, 60, 80, 100])
    ax.set_xlim(left=0 if planted else None)
    ax.set_xlabel(f"days {'after planting' if planted else 'after the first visit'}")
    ax.set_ylabel("up, % of all that came up")
    ax.set_title("Dots are visits; between them nobody looked", loc="left")
    if len(order) < len(table):
        ax.set_title(f"The {MOST_CURVES} fastest and slowest of {len(table)} plots", loc="left")
    if ax.get_legend_handles_labels()[0]:
        ax.legend(loc="upper left", frameon=True, framealpha=0.9, edgecolor="none", fontsize=11)
    return figure
