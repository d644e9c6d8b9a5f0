"""A replant decision as tables, sentences and a figure: verdict first, then the range, then what cannot be told."""

from __future__ import annotations

import datetime as dt
import math
import re
from typing import TYPE_CHECKING

import pandas as pd

from standcam import tables, units
from standcam.estimate import Estimate
from standcam.report import wording
from standcam.stand import replant, response_tables
from standcam.stand.replant import ReplantDecision, TableVerdict
from standcam.stand.replant_stand import COUNTED, UNKNOWN, StandFound

if TYPE_CHECKING:
    from rich.table import Table as ScreenTable

_C = tables.Column
_PCT, _MONEY = "% of full yield", "currency/ha"


def _three(name: str, unit: str, meaning: str) -> tuple[tables.Column, ...]:
    return (
        _C(name, "float64", unit, f"{meaning}; all assumptions at their likeliest"),
        _C(f"{name}_low", "float64", unit, "lowest over all assumptions"),
        _C(f"{name}_high", "float64", unit, "highest"),
    )


REPLANT = tables.Table(
    "replant",
    (
        _C("kept_table", "str", "", "table that tells the kept yield; 'all' for the result"),
        _C("replant_table", "str", "", "table that tells the replanted yield"),
        _C("title", "str", "", "name for people"),
        _C("decides", "bool", "", "its range is part of the result"),
        _C("verdict", "str", "", "keep, replant, too close to call; empty where the table does not answer"),
        _C("table_kept_pct", "float64", _PCT, "as read from the table, before gaps"),
        _C("table_replanted_pct", "float64", _PCT, "as read from the table, before risk"),
        *_three("kept_pct", _PCT, "yield if kept, gaps taken off"),
        *_three("replanted_pct", _PCT, "yield if replanted, risk taken off"),
        *_three("gain_points", "points of full yield", "replanted less kept"),
        *_three("net_gain_per_ha", _MONEY, "net gain of replanting; NaN without yield, price and cost"),
        _C("breakeven_cost_per_ha", "float64", _MONEY, "cost of replanting at which both ways are equal"),
        _C("breakeven_price_per_t", "float64", "currency/t", "price above which replanting pays; NaN where none does"),
        _C("breakeven_plants_per_ha", "float64", "1/ha", "stand below which replanting pays"),
        *_three(
            "half_answer",
            "currency/ha or points",
            "of a table that tells one side only, the other side taken from the "
            "deciding tables: net gain, or gain in points without money",
        ),
        _C("why_not", "str", "", "why the table does not answer"),
        _C("notes", "str", "", "what was cut, held or extrapolated"),
        _C("mark", "str", "", "seen, partial, joined or own: how the table was got"),
        _C("source", "str", "", "where it is printed"),
        _C("validity", "str", "", "where it holds and what is known against it, misprints of other prints"),
    ),
)

ASSUMPTIONS = tables.Table(
    "replant_assumptions",
    (
        _C("assumption", "str", "", "what is varied, all others staying at their likeliest"),
        _C("low_setting", "str", "", "one end"),
        _C("high_setting", "str", "", "the other"),
        _C("result_at_low", "float64", "currency/ha or points", "mean result of the deciding tables there"),
        _C("result_at_high", "float64", "currency/ha or points", "the same at the other end"),
        _C("can_turn_the_decision", "bool", "", "an end lies on the other side of zero than the likeliest result"),
    ),
)

CANNOT_TELL = (
    "Whether the plants that stand will live and yield: look at growing points and roots some days after the damage.",
    "Why plants are missing. Pests, crusting, wet soil, seed or herbicide may take the new stand too.",
    "Whether seed of a fitting maturity can be had, and what insurance, seed or herbicide agreements say: ask before "
    "destroying a stand.",
)
CAUTION = (
    "The tables are of the US Corn Belt and older hybrids. Local extension or a licensed adviser decides, not this "
    "program. Walk the field, check some rows by tape, and judge thin parts by themselves (--plot) before acting."
)
LATE_DATE = (5, 25)
_WIDE_POINTS = 10.0


def frame(decision: ReplantDecision) -> pd.DataFrame:
    """REPLANT: the result, then the tables that decide, then those beside."""
    lines = [_line(v, True) for v in decision.deciding] + [_line(v, False) for v in decision.beside]
    whole: dict[str, object] = {
        "kept_table": "all", "replant_table": "all", "title": "Result over the deciding tables", "decides": True,
        "verdict": decision.verdict, "table_kept_pct": math.nan, "table_replanted_pct": math.nan,
        **_ends("kept_pct", decision.kept), **_ends("replanted_pct", decision.replanted),
        **_ends("net_gain_per_ha" if decision.in_money else "gain_points", decision.outcome),
    }  # fmt: skip
    return tables.conform(REPLANT, pd.DataFrame([whole, *lines]))


def assumptions_frame(decision: ReplantDecision) -> pd.DataFrame:
    """ASSUMPTIONS, largest swing first."""
    lines = [(a.name, a.low_setting, a.high_setting, a.at_low, a.at_high, a.flips) for a in decision.assumptions]
    return tables.conform(ASSUMPTIONS, pd.DataFrame(lines, columns=ASSUMPTIONS.names))


def _ends(name: str, x: Estimate) -> dict[str, float]:
    return {name: x.value, f"{name}_low": x.low, f"{name}_high": x.high}


def _line(v: TableVerdict, decides: bool) -> dict[str, object]:
    a, b = v.kept_table, v.replant_table
    return {
        "kept_table": a.name, "replant_table": b.name, "title": v.title, "decides": decides, "verdict": v.verdict,
        "table_kept_pct": v.kept_reading.percent, "table_replanted_pct": v.replant_reading.percent,
        **_ends("kept_pct", v.kept), **_ends("replanted_pct", v.replanted), **_ends("gain_points", v.gain),
        **_ends("net_gain_per_ha", v.net), **_ends("half_answer", v.borrowed),
        "breakeven_cost_per_ha": v.breakeven_cost,
        "breakeven_price_per_t": v.breakeven_price, "breakeven_plants_per_ha": v.breakeven_stand,
        "why_not": "; ".join(_why_not(v, "si")), "notes": "; ".join(v.notes), "mark": a.mark, "source": a.source,
        "validity": " ".join(_validity(a)),
    }  # fmt: skip


def _validity(table: response_tables.ResponseTable) -> list[str]:
    late = table.extrapolated_after_day
    after = response_tables.from_day(late) if math.isfinite(late) else None
    return [
        *table.notes, *([table.low_yield_note] if table.low_yield_note else []),
        *([f"Extrapolated by its source after {after.day} {after:%B}."] if after else []), *table.misprints,
    ]  # fmt: skip


class Words:
    """A decision in words, in one system of units and the caller's currency."""

    def __init__(self, decision: ReplantDecision, system: str, currency: str = "") -> None:
        self.d, self.system, self.currency = decision, system, currency

    def headline(self) -> str:
        """The verdict in capitals, with its lean."""
        lean = {replant.REPLANT: ", leaning to replanting", replant.KEEP: ", leaning to keeping", "": ""}[self.d.lean]
        return self.d.verdict.upper() + lean

    def reason(self) -> str:
        """Why: the range of the outcome."""
        d = self.d
        n = len(d.deciding)
        over = f"{n} table{'s' if n > 1 else ''} and all assumptions"
        text = f"Replanting changes the result by {self.outcome(d.outcome)}, over {over}."
        if not d.in_money:
            text = f"Replanting changes the yield by {self.outcome(d.outcome)}, over {over}, before its cost."
            if d.outcome.low > 0:
                text += " It yields more in every case; whether that pays its cost needs yield, price and cost."
            elif d.outcome.high < 0:
                text += " It yields less in every case, whatever it costs."
        if d.contradicted:
            text += " All tables that decide gain; some that tell one side only would not, see below."
        if d.verdict == replant.CLOSE and d.outcome.low <= 0:
            turning = [a.name for a in d.assumptions if a.flips]
            text += " The range holds both gain and loss; "
            text += f"by itself can turn it: {', '.join(turning)}." if turning else "no assumption turns it by itself."
        return text

    def yields(self) -> list[str]:
        """Kept and replanted yield."""
        d = self.d
        out = []
        for name, x in (("Kept", d.kept), ("Replanted", d.replanted)):
            grain = ""
            if d.case.economics is not None:
                full = d.case.economics.full_yield
                low, best, high = (
                    self.grain(y * p / 100) for y, p in ((full.low, x.low), (full.value, x.value), (full.high, x.high))
                )
                unit = "bu/acre" if self.system == "us" else "t/ha"
                grain = f", {best} ({low} to {high}) {unit}"
            out.append(f"{name}: {x.value:.0f} ({x.low:.0f} to {x.high:.0f}) % of a full yield{grain}.")
        return out

    def table(self) -> ScreenTable:
        """Table by table, those that only stand beside below a line."""
        from rich.table import Table

        money = self.d.in_money
        t = Table(box=None, pad_edge=False, header_style="bold")
        t.add_column("table", overflow="fold")
        for name in ("kept %", "replanted %", f"net gain per {self.area}" if money else "gain, points"):
            t.add_column(name, justify="right")
        t.add_column("pays below" if money else "gains below", justify="right")
        t.add_column("verdict", overflow="fold")
        for group in (self.d.deciding, self.d.beside):
            for v in group:
                t.add_row(*self._cells(v), style="" if group is self.d.deciding else "dim")
            if group is self.d.deciding and self.d.beside:
                t.add_row("beside, not part of the result:", style="dim")
        return t

    def lines(self) -> list[str]:
        """The same for screens too narrow for a table."""
        out = []
        for v in (*self.d.deciding, *self.d.beside):
            title, kept, new, told, edge, verdict = self._cells(v)
            unit = f" per {self.area}" if self.d.in_money else " points"
            parts = [f"kept {kept} %", f"replanted {new} %", f"net gain {told}{unit}" if told else ""]
            parts += (
                [f"{'pays' if self.d.in_money else 'gains'} below {edge}".replace("below <", "only below")]
                if edge
                else []
            )
            beside = "" if v in self.d.deciding else ", not in the result"
            out.append(f"{title}{beside}: {', '.join(part for part in parts if part)}; {verdict}.")
        return out

    def _cells(self, v: TableVerdict) -> list[str]:
        if v.answers:
            told, verdict = self._ends(v.net if self.d.in_money else v.gain), v.verdict
            if not v.valid:
                verdict += "; does not hold at so low a full yield"
        else:
            b = v.borrowed
            told = self._ends(b) if b.known else ""
            verdict = "; ".join(_why_not(v, self.system)) + ("; taken from the others" if b.known else "")
        return [wording.printable(v.title), _pct(v.kept), _pct(v.replanted), told, self._stand_edge(v), verdict]

    def _ends(self, x: Estimate) -> str:
        best, low, high = (self.amount(y) if self.d.in_money else _signed(y) for y in (x.value, x.low, x.high))
        return f"{best} ({low} to {high})"

    def _stand_edge(self, v: TableVerdict) -> str:
        if not v.answers:
            return ""
        if math.isfinite(v.breakeven_stand):
            return wording.population(v.breakeven_stand, self.system)
        lowest = wording.population(float(v.kept_table.stand_per_ha[0]), self.system)
        return f"< {lowest}" if v.breakeven_side == response_tables.BELOW else "any stand"

    def deciders(self, most: int = 6) -> list[str]:
        """Which assumptions decide, largest first."""
        out = []
        for a in self.d.assumptions[:most]:
            if a.swing == 0:
                continue
            low, high = ((self.amount(x) if self.d.in_money else _signed(x, 1)) for x in (a.at_low, a.at_high))
            turns = " - can turn the decision by itself" if a.flips else ""
            ends = [self.setting(x) for x in (a.low_setting, a.high_setting)]
            out.append(f"{a.name}: {low} ({ends[0]}) to {high} ({ends[1]}){turns}")
        return out

    def setting(self, text: str) -> str:
        """An end of an assumption in the units of the screen."""
        for unit, say in (
            ("/ha", lambda x: wording.population(x, self.system) if x > 5000 else self.money_per_area(x)),
            (" kg/ha", lambda x: f"{self.grain(x)} {'bu/acre' if self.system == 'us' else 't/ha'}"),
            ("/t", self.price),
        ):
            number = text.removesuffix(unit)
            if text.endswith(unit) and number.replace(".", "", 1).isdigit():
                return say(float(number))
        return text

    def breakevens(self) -> list[str]:
        """Cost and price at which the decision turns, over the deciding tables."""
        d = self.d
        if not d.in_money:
            return []
        costs = sorted(v.breakeven_cost for v in d.deciding)
        if costs[-1] <= 0:
            out = ["No cost is low enough: with all at its likeliest, replanting yields less money even for nothing."]
        else:
            ends = [self.money_per_area(max(c, 0.0)) for c in (costs[0], costs[-1])]
            out = [f"Replanting may cost at most {_from_to(ends)}, by table."]
        prices = sorted(v.breakeven_price for v in d.deciding if math.isfinite(v.breakeven_price))
        without = sum(math.isnan(v.breakeven_price) for v in d.deciding)
        if prices:
            ends = [self.price(p) for p in (prices[0], prices[-1])]
            out.append(
                f"It pays from a grain price of {_from_to(ends)}"
                + (
                    f" by {len(prices)} of {len(d.deciding)} tables, by the others at no price."
                    if without
                    else ", by table."
                )
            )
        return out

    def basis(self, found: StandFound | None) -> list[str]:
        """What went in: stand, doubtful plants, gaps, target, risk."""
        c, s = self.d.case, self.d.settings
        stand = wording.population(c.stand.value, self.system)
        told = "no range known: one place only" if found else "no range given"
        if math.isfinite(c.stand.low):
            low, high = (wording.population(x, self.system, unit=False) for x in (c.stand.low, c.stand.high))
            source = "as given"
            if found:
                over = f"over {found.n_units} {found.unit}"
                if found.unit == "gaps":
                    over = "from the gaps of one row: it tells of that row only, count more places"
                source = f"{100 * c.stand.level:.0f} % interval {over}"
            told = f"{low} to {high}, {source}"
        out = [f"Stand: {stand} ({told}), planted {c.planted}."]
        if c.doubtful_pct > 0:
            effective = wording.population(c.effective(s.doubtful_weight).value, self.system)
            out.append(
                f"Doubtful plants: {c.doubtful_pct:.0f} % of those counted, each counted {s.doubtful_weight:g} "
                f"(half: Lauer 2003), which leaves {effective}."
            )
        if found and found.split_pct >= 10:
            out.append(
                f"{found.split_pct:.0f} % of the plants were told apart within touching leaves and count in full: "
                "check some."
            )
        if found and found.left_out:
            out.append(f"{found.left_out} rows without length or row width are left out.")
        out.append(self.gaps())
        low, high = (wording.population(x, self.system, unit=False) for x in (c.target.low, c.target.high))
        ends = f" ({low} to {high})" if low != high else ""
        r = s.risk_points
        out.append(
            f"Replant on {c.replant_on} to a stand of {wording.population(c.target.value, self.system)}{ends}; risk "
            f"that it fails too: {r.low:g} to {r.high:g} points off, {r.value:g} likeliest (about 10: UNL 2009)."
        )
        return out

    def gaps(self) -> str:
        """What gaps were found or told, and what is taken off."""
        c, g = self.d.case, self.d.case.gaps
        us = self.system == "us"
        if c.crop == "soybean":
            edge = "2 ft" if us else "60 cm"
            text = f"Gaps: under {edge} soybeans close them by branching (ISU 1999). "
            if g.basis == COUNTED:
                text += f"{g.long} longer ones were found, {g.long_share_pct:.0f} % of the row"
                text += (
                    f"; 0 to {g.high:.0f} % taken off (no published figure; the bare share of row is the most, ours)."
                    if g.long
                    else "."
                )
                return text
            return text + f"Taken off for longer ones: {g.low:g} to {g.high:g} (no published figure)."
        off = f"{g.low:g} to {g.high:g}" if g.low != g.high else f"{g.low:g}"
        if g.basis == COUNTED:
            short, long = ("1.5 to 4 ft", "4 ft or more") if us else ("46 to 122 cm", "122 cm or more")
            length = wording.row_length(g.row_length_cm, self.system)
            text = f"Gaps: {g.short} of {short} and {g.long} of {long} on {length} of row; {off} taken off"
        else:
            text = f"Gaps: {'not known' if g.basis == UNKNOWN else 'as told'}; {off} taken off"
        if g.high > 0:
            text += " (short about 2, many long 4 to 6: Illinois and ISU; both as % of the kept yield and as points)"
        text += "."
        if g.hidden:
            text += (
                f" The measured stretches are too short to show gaps of {'4 to 6 ft' if us else '1.2 to 1.8 m'}: walk "
                "the rows and say what you see with --gaps."
            )
        if g.longest_cm > 6 * units.CM_PER_FOOT:
            longest = wording.row_length(g.longest_cm, self.system)
            text += f" The longest is {longest}, beyond the sources: judge such bare places by themselves."
        return text

    def warnings(self) -> list[str]:
        """What of this case is shaky: late dates, disagreement, half answers, notes of tables."""
        d = self.d
        out = []
        late = (d.case.replant_on.month, d.case.replant_on.day) >= LATE_DATE
        x = d.replant_spread
        if x.high - x.low > _WIDE_POINTS or (late and x.high - x.low > 2):
            out.append(
                f"The tables disagree{' widely' if x.high - x.low > _WIDE_POINTS else ''} on a planting of "
                f"{d.case.replant_on}: {x.low:.0f} to {x.high:.0f} % of full yield, before risk."
            )
        lower = [v.title for v in d.half_answers if v.borrowed.low < d.outcome.low]
        higher = [v.title for v in d.half_answers if v.borrowed.high > d.outcome.high]
        for titles, word in ((lower, "less"), (higher, "more")):
            if titles:
                out.append(
                    f"With the side they lack taken from the others, replanting may earn {word} than the range shows: "
                    f"{'; '.join(titles)}."
                )
        for v in [*d.deciding, *(v for v in d.beside if v.answers)]:
            out += [f"{v.title}: {note}." for note in v.notes]
        seen = dict.fromkeys(table for v in d.deciding for table in (v.kept_table, v.replant_table))
        for table in seen:
            out += [f"{table.title}: {note}" for note in table.notes]
            e = d.case.economics
            if table.low_yield_note and (e is None or e.full_yield.low < table.lowest_yield_kg_ha):
                out.append(f"{table.title}: {table.low_yield_note}")
        return list(dict.fromkeys(out))

    def context(self) -> list[str]:
        """What sources say beside the tables."""
        if self.d.case.crop == "soybean":
            counts = [
                wording.population(units.per_ha(x), self.system) for x in (66_000, 80_000, 100_000, 50_000, 75_000)
            ]
            return [
                f"Soybean: {counts[1]} to {counts[2]} standing evenly are enough; above {counts[0]} filling in does "
                "not raise yield (farms.com, author not visible).",
                f"Missouri (citing Gaspar & Conley 2015): {counts[3]} in the south and {counts[4]} in the north at "
                "harvest can suffice.",
                "Dates rest on one response, Penn State 2012; the range over tables says nothing of other places.",
            ]
        full, late = (wording.population(units.per_ha(x), self.system) for x in (30_000, 21_000))
        return [
            "Late plants: replanting for unevenness gains under 5 % where plants are less than two weeks apart, up to "
            "10 % where half or more are three weeks late, nothing for unevenness from row to row (Ohio AGF-122).",
            f"Missing costs more than late: a quarter of {full} missing -10 %, the same quarter 10 days late -6 % "
            "(Minnesota, Hicks).",
            f"Minnesota (Hicks 2002) sets a planting of 25 May equal to a stand of {late}, and would keep down to "
            f"{wording.population(units.per_ha(17_000), self.system)}.",
        ]

    @property
    def area(self) -> str:
        """The unit of area: ha or acre."""
        return "acre" if self.system == "us" else "ha"

    def outcome(self, x: Estimate) -> str:
        """A range of results."""
        if not self.d.in_money:
            return f"{_signed(x.low)} to {_signed(x.high)} points of full yield (likeliest {_signed(x.value)})"
        low, best, high = (self.amount(v) for v in (x.low, x.value, x.high))
        return f"{low} to {high}{self.behind()} per {self.area} (likeliest {best})"

    def amount(self, per_ha: float) -> str:
        """A gain or loss per area, with its sign."""
        value = self.per_area(per_ha)
        return _signed(value)

    def money_per_area(self, per_ha: float) -> str:
        """A cost per area."""
        return f"{self.per_area(per_ha):,.0f}{self.behind()}/{self.area}"

    def price(self, per_t: float) -> str:
        """A price of grain."""
        if self.system == "us":
            return f"{per_t / 1000 * units.KG_PER_BUSHEL[self.d.case.crop]:.2f}{self.behind()}/bu"
        return f"{per_t:.0f}{self.behind()}/t"

    def grain(self, kg_per_ha: float) -> str:
        """A yield without its unit: bu/acre or t/ha."""
        if self.system == "us":
            return f"{kg_per_ha / units.kg_per_ha(1.0, self.d.case.crop):.0f}"
        return f"{kg_per_ha / 1000:.1f}"

    def per_area(self, per_ha: float) -> float:
        """An amount per ha in the unit of the screen."""
        return units.per_acre(per_ha) if self.system == "us" else per_ha

    def behind(self) -> str:
        """The currency with a blank before it; empty where none was named."""
        return f" {self.currency}" if self.currency else ""


def _from_to(ends: list[str]) -> str:
    """``29 to 135 dollars/acre``: the unit once."""
    low, high = (re.match(r"[\d,.]+", end) for end in ends)
    if ends[0] == ends[1] or not low or not high:
        return ends[0]
    return f"{low[0]} to {ends[1]}"


def _signed(x: float, decimals: int = 0) -> str:
    """A gain or loss with its sign; nothing has none."""
    return f"{x:+,.{decimals}f}" if round(x, decimals) else "0"


def _pct(x: Estimate) -> str:
    return f"{x.value:.0f} ({x.low:.0f} to {x.high:.0f})" if x.known else wording.NOTHING


def _why_not(v: TableVerdict, system: str) -> list[str]:
    if v.answers:
        return [] if v.valid else ["does not hold at so low a full yield"]
    told = []
    for side, r in (("kept", v.kept_reading), ("replanted", v.replant_reading)):
        if not r.why:
            continue
        if isinstance(r.limit, dt.date):
            told.append(f"{side}: {r.why} {r.limit.day} {r.limit:%b}")
        elif r.limit is not None:
            told.append(f"{side}: {r.why} {wording.population(r.limit, system)}")
        else:
            told.append(f"{side}: {r.why}")
    return told
