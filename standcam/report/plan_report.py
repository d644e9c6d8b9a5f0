"""What ``standcam plan`` prints and writes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from standcam import units
from standcam.report import wording
from standcam.stand import row_length, sampling
from standcam.stand.sampling import Need, Variation
from standcam.tables import Column, Table

PLAN = Table(
    "plan",
    (
        Column("look", "str", "", "how a row is looked at"),
        Column("quantity", "str", "", "population, cv (of the spacings) or misses (skips, of the spacings)"),
        Column("half_width", "float64", "", "wanted: % for the population, else percentage points"),
        Column("row_length_cm", "float64", "cm", "of one row"),
        Column("rows_per_place", "int64", "", "rows looked at in one place"),
        Column("places", "Int64", "", "places whose interval is expected to be so narrow; missing where out of reach"),
        Column("rows", "Int64", "", "places x rows_per_place"),
        Column("row_m", "float64", "m", "length of row in all"),
        Column("sure_places", "Int64", "", "places whose interval is so narrow in 95 of 100 cases"),
        Column("careful_places", "Int64", "", "places, had the first sample flattered the stand"),
        Column("place_sd", "float64", "", "SD from place to place that this rests on, unit of half_width"),
        Column("level", "float64", "1", "confidence of the interval"),
    ),
)
PLACES = Table(
    "places",
    (
        Column("plot", "str", "", "place"),
        Column("row", "int64", "", "row within the place"),
        Column("row_unit", "Int64", "", "row unit of the planter; missing where their number was not given"),
        Column("way_pct", "float64", "%", "how far along the way over the field"),
    ),
)

NAMES = {"population": "population", "cv": "CV of spacing", "misses": "skips"}
STEPS = (3, 5, 10, 20, 40)
NARROW_CM, HOOP_CM = 40.0, 91.44
"""Below this row width a hoop serves; one of 36 in is told of. [cm]"""

CAUTIONS = (
    "Choose places before you see them, at least some planter widths from ends and tracks, and go wherever that leads.",
    "Park, shut down and block machines before you kneel by them or under them; keep off roads and out of traffic.",
    "A plan says how sure a number will be, not what to do with it: local extension or a licensed adviser decides.",
)
NOT_TOLD = (
    "Not told: a piece of the field that differs as a whole (headland, wet spot, another seed lot) needs a plan of its "
    "own; photos that miss or double plants shift every place alike, and no number of them mends that."
)


def plan_table(needs: dict[str, list[Need]]) -> pd.DataFrame:
    """PLAN of the needs of each way of looking."""
    lines = []
    for look, many in needs.items():
        for n in many:
            rows = pd.NA if n.places is None else n.places * n.rows_per_place
            lines.append(
                {
                    "look": look,
                    "quantity": n.quantity,
                    "half_width": n.half_width,
                    "row_length_cm": n.row_length_cm,
                    "rows_per_place": n.rows_per_place,
                    "places": n.places,
                    "rows": rows,
                    "row_m": np.nan if n.places is None else rows * n.row_length_cm / 100,
                    "sure_places": n.sure,
                    "careful_places": n.careful,
                    "place_sd": n.variance**0.5,
                    "level": n.level,
                }
            )
    frame = pd.DataFrame(lines, columns=PLAN.names)
    return frame.astype({c.name: c.dtype for c in PLAN.columns})


def wish(need: Need) -> str:
    """``population within 5 %``."""
    unit = "%" if need.quantity == "population" else "points"
    return f"{NAMES[need.quantity]} within {need.half_width:g} {unit}"


def answer(needs: list[Need], look: str, system: str) -> str:
    """The first line: what all wishes together need, looked at in one way."""
    if any(n.places is None for n in needs):
        out = ", ".join(wish(n) for n in needs if n.places is None)
        return f"Out of reach with {look}: {out} would need more than {sampling.MOST_PLACES} places."
    most = max(needs, key=lambda n: n.places or 0)
    places, sure = most.places or 0, most.sure
    rows = places * most.rows_per_place
    each = "" if most.rows_per_place == 1 else f" of {most.rows_per_place} rows"
    length = wording.row_length(rows * most.row_length_cm, system)
    told = f"{places} places{each} ({look}), {length} of row in all"
    careful = f"; {sure} to be sure of it" if sure is not None and sure > places else ""
    which = f" {NAMES[most.quantity].capitalize()} asks for the most." if len(needs) > 1 else ""
    return f"{told}{careful}.{which}"


def needs_table(needs: dict[str, list[Need]], system: str) -> object:
    """One line a way of looking and wish."""
    from rich.table import Table as RichTable

    table = RichTable(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    table.add_column("look at")
    table.add_column("wanted")
    for name in ("places", "rows", "row in all", "to be sure"):
        table.add_column(name, justify="right", no_wrap=True)
    for look, many in needs.items():
        for i, n in enumerate(many):
            if n.places is None:
                numbers = [f"> {sampling.MOST_PLACES}", wording.NOTHING, wording.NOTHING, wording.NOTHING]
            else:
                rows = n.places * n.rows_per_place
                length = wording.row_length(rows * n.row_length_cm, system)
                numbers = [str(n.places), str(rows), length, str(n.sure or wording.NOTHING)]
            table.add_row(look if i == 0 else "", wish(n), *numbers)
    return table


def budget_lines(needs: list[Need], steps: Sequence[int] = STEPS) -> list[str]:
    """What fewer or more places are expected to give."""
    lines = []
    for n in needs:
        unit = "%" if n.quantity == "population" else "points"
        parts = [f"{k} places ±{n.half_width_with(k):.1f}" for k in steps]
        lines.append(f"  {NAMES[n.quantity]} ({unit}): {', '.join(parts)}")
    return lines


def basis_lines(variation: Variation, needs: list[Need]) -> list[str]:
    """What the numbers rest on."""
    by = {n.quantity: n for n in needs}
    parts = []
    if "population" in by:
        parts.append(f"density differs from place to place by {by['population'].variance ** 0.5:.1f} % (SD)")
    if "cv" in by:
        parts.append(f"CV {variation.cv_pct:.0f} %, differing by {by['cv'].variance ** 0.5:.1f} points")
    if "misses" in by:
        parts.append(f"skips {variation.misses_pct:.1f} %, differing by {by['misses'].variance ** 0.5:.1f} points")
    lines = [f"Rests on {variation.source}: {'; '.join(parts)}."]
    if variation.rows:
        lines.append(
            f"First sample: {variation.rows} rows in {variation.places} places. They count towards the number if they "
            "were chosen blindly in the same field."
        )
        design = [
            f"{NAMES[q]} {part.design_effect(max(part.pieces, 1)):.1f}"
            for q, part in (("population", variation.population), ("cv", variation.cv), ("misses", variation.misses))
            if q in by
        ]
        lines.append(f"Design effect of looking at whole rows (1: as good as scattered plants): {', '.join(design)}.")
        worse = [f"{wish(n)}: {n.careful} places" for n in needs if n.careful and n.places and n.careful > n.places]
        if worse:
            lines.append(f"So small a sample may flatter. Were it so (one chance in five): {'; '.join(worse)}.")
    else:
        lines.append("Fields differ: look at ten places, then plan again with --from RESULTS.")
    lines += variation.notes
    return lines


def row_lines(row_width_cm: float, plants_per_ha: float | None, system: str) -> list[str]:
    """Lengths and factors of this row width."""
    acre, ha = row_length.thousandth_acre_cm(row_width_cm), row_length.thousandth_ha_cm(row_width_cm)
    width = f"{units.inches(row_width_cm):g} in" if system == "us" else f"{row_width_cm:g} cm"
    lines = [
        f"Rows {width} apart: 1/1000 acre is {feet_inches(acre)} ({acre / 100:.2f} m) of row, "
        f"1/1000 ha is {ha / 100:.2f} m."
    ]
    if plants_per_ha is not None:
        per_m = row_length.plants_per_m(plants_per_ha, row_width_cm)
        per_foot = row_length.plants_per_foot(plants_per_ha, row_width_cm)
        lines.append(
            f"{wording.population(plants_per_ha, system)} are {per_m:.2f} plants a metre, {per_foot:.2f} a foot, "
            f"one every {wording.spacing(100 / per_m, system)}."
        )
    ha_m = row_length.wheel_population(150, 100.0, row_width_cm)
    acre_ft = units.per_acre(row_length.wheel_population(150, units.CM_PER_FOOT, row_width_cm))
    lines.append(
        f"By measuring wheel: walk past 150 plants; plants per ha = {_thousands(ha_m, system)} / metres walked, "
        f"per acre = {acre_ft:,.0f} / feet."
    )
    if row_width_cm < NARROW_CM:
        hoop = row_length.hoop_factor_per_ha(HOOP_CM)
        lines.append(
            f"Narrow rows by hoop, {HOOP_CM:g} cm ({units.inches(HOOP_CM):g} in) across: each plant in it counts for "
            f"{_thousands(hoop, system)}/ha, {units.per_acre(hoop):,.0f}/acre; throw it blindly, five times or more."
        )
    return lines


def _thousands(value: float, system: str) -> str:
    return f"{value:,.0f}" if system == "us" else f"{value:,.0f}".replace(",", " ")


def feet_inches(cm: float) -> str:
    """``17'5"``, to the inch."""
    inches = round(units.inches(cm))
    return f"{inches // 12}'{inches % 12}\""


def habit_line() -> str:
    """Published habits, for comparison."""
    told = "; ".join(f"{h.who}: {h.what}" for h in row_length.HABITS)
    return f"Habits in print, tied to no interval: {told}."


def places_lines(places: pd.DataFrame, most: int = 60, beside: int = 4) -> list[str]:
    """Where to look: place, how far along the way, row units; several places beside each other."""
    cells = []
    for plot, rows in list(places.groupby("plot", sort=False))[:most]:
        units_told = f"  unit {', '.join(str(u) for u in rows['row_unit'])}" if "row_unit" in rows else ""
        cells.append(f"{plot:>4} {rows['way_pct'].iloc[0]:3.0f} %{units_told}")
    width = max((len(cell) for cell in cells), default=0) + 3
    deep = -(-len(cells) // beside)
    lines = ["".join(cell.ljust(width) for cell in cells[i::deep]).rstrip() for i in range(deep)]
    hidden = places["plot"].nunique() - most
    return lines + ([f"  and {hidden} more; --out writes them all."] if hidden > 0 else [])
