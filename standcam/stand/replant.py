"""Keep or replant: yield of the stand as it is against yield of a new one, over all that is not known.

The method is the one that extension services of Ohio, Iowa, Wisconsin and Nebraska share: yield by stand and original
date, less gaps; yield by target stand and replant date, less the risk of replanting; the difference times yield and
price, less the cost. What each step does not know well (which table, stand, gaps, risk, yield, price, cost) is carried
as a range, and the result is the whole range, not a number with confidence.
"""

from __future__ import annotations

import datetime as dt
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from standcam import units
from standcam.errors import TooFewData
from standcam.estimate import Estimate
from standcam.stand import response_tables
from standcam.stand.replant_case import NO_LEVEL, UNKNOWN, Economics, ReplantCase, ReplantSettings, span
from standcam.stand.response_tables import Reading, ResponseTable

KEEP, REPLANT, CLOSE = "keep", "replant", "too close to call"


@dataclass(frozen=True)
class TableVerdict:
    """What one table, or one pair of a family, says."""

    kept_table: ResponseTable
    replant_table: ResponseTable
    kept_reading: Reading
    """At the effective stand and the original date, before gaps."""
    replant_reading: Reading
    """At the target stand and the replant date, before risk."""
    kept: Estimate
    """Yield if kept, gaps taken off. [% of full yield]"""
    replanted: Estimate
    """Yield if replanted, risk taken off. [% of full yield]"""
    gain: Estimate
    """Replanted less kept. [points of full yield]"""
    net: Estimate
    """Net gain of replanting; NaN without economics. [currency/ha]"""
    breakeven_cost: float
    """Cost of replanting at which neither way is better, all else likeliest. [currency/ha]"""
    breakeven_price: float
    """Price above which replanting pays; NaN where none does. [currency/t]"""
    breakeven_stand: float
    """Stand below which replanting pays (counts before: without money, gains yield). [1/ha]"""
    breakeven_side: str
    """Why there is no such stand: it lies below or above what the table holds."""
    answers: bool
    valid: bool
    """Its source holds at this full yield."""
    notes: tuple[str, ...]
    """What was cut or held, in words."""
    borrowed: Estimate = UNKNOWN
    """Of a table that tells one side only: the result with the other side as the deciding tables have it.
    [currency/ha, or points without economics]"""

    @property
    def title(self) -> str:
        """Name for people; of a pair, both maturities."""
        a, b = self.kept_table, self.replant_table
        return a.title if a is b else f"{a.title}, replanted {b.maturity} season"

    @property
    def outcome(self) -> Estimate:
        """What decides: money where known, else yield."""
        return self.net if self.net.known else self.gain

    @property
    def verdict(self) -> str:
        """keep, replant or too close to call; empty where the table does not answer."""
        return judged(self.outcome) if self.answers else ""


@dataclass(frozen=True)
class Assumption:
    """What the result becomes when one assumption goes to its ends and all others stay."""

    name: str
    low_setting: str
    high_setting: str
    """The two ends in words."""
    at_low: float
    at_high: float
    """Mean result of the deciding tables there. [currency/ha, or points without economics]"""
    flips: bool
    """One of the ends turns the decision."""

    @property
    def swing(self) -> float:
        """Distance of the two. [currency/ha or points]"""
        return abs(self.at_high - self.at_low)


@dataclass(frozen=True)
class ReplantDecision:
    """Keep or replant."""

    case: ReplantCase
    settings: ReplantSettings
    verdict: str
    lean: str
    """Where the middle leans when the range spans zero: keep or replant; else empty."""
    outcome: Estimate
    """Net gain of replanting over all deciding tables. [currency/ha, or points without economics]"""
    kept: Estimate
    replanted: Estimate
    """Over all deciding tables. [% of full yield]"""
    deciding: tuple[TableVerdict, ...]
    """Tables whose range makes the result."""
    beside: tuple[TableVerdict, ...]
    """Tables shown only: published ones beside a user's own, those that answer half or not at all, those that do not
    hold at this yield."""
    assumptions: tuple[Assumption, ...]
    """Largest swing first."""
    replant_spread: Estimate
    """Replanted yield before risk over all tables that tell it. [%]"""

    @property
    def in_money(self) -> bool:
        """Whether the result is money per ha; else points of full yield."""
        return self.case.economics is not None

    @property
    def half_answers(self) -> tuple[TableVerdict, ...]:
        """Tables that tell one side only."""
        return tuple(v for v in self.beside if v.borrowed.known)

    @property
    def contradicted(self) -> bool:
        """All deciding tables say replant, but one that tells one side only would likeliest not."""
        return self.outcome.low > 0 and any(v.borrowed.value <= 0 for v in self.half_answers)


def judged(outcome: Estimate) -> str:
    """Verdict of a range of net gains: too close to call when it spans zero."""
    if not outcome.known:
        return ""
    if outcome.low > 0:
        return REPLANT
    return KEEP if outcome.high < 0 else CLOSE


def decide(
    case: ReplantCase,
    published: Sequence[ResponseTable],
    own: ResponseTable | None = None,
    settings: ReplantSettings | None = None,
) -> ReplantDecision:
    """Keep or replant.

    Parameters
    ----------
    case : ReplantCase
    published : sequence of ResponseTable
        Published tables of the crop. They make the result together, unless `own` is given: then they stand beside it.
    own : ResponseTable, optional
        The user's own table, which decides alone.
    settings : ReplantSettings, optional

    Raises
    ------
    TooFewData
        No table that may decide answers; the reason of each is in the message.
    """
    s = settings or ReplantSettings()
    verdicts = [_read(case, a, b, s) for a, b in pairs(published, case)]
    if own is not None:
        mine = _read(case, own, own, s)
        deciding = [mine] if mine.answers else []
        beside = verdicts
        asked = [mine]
    else:
        deciding = [v for v in verdicts if v.answers and v.valid]
        # of a family whose stands end, the replanted yield is shown once
        beside = [v for v in verdicts if not (v.answers and v.valid) and (v.answers or v.kept_table is v.replant_table)]
        asked = verdicts
    if not deciding:
        reasons = "; ".join(f"{v.title}: {_why_not(v)}" for v in asked)
        raise TooFewData(
            f"No table answers for this stand and these dates ({reasons}).",
            "Give your own with --table, or --hold-edge to take the nearest cell.",
        )
    outcome = _union([v.outcome for v in deciding])
    kept, replanted = (_union([getattr(v, side) for v in deciding]) for side in ("kept", "replanted"))
    if own is None:
        beside = [_lent(v, kept, replanted, case) for v in beside]
    verdict = judged(outcome)
    # more yield alone does not pay for a planting, and half a table is enough to doubt a costly step
    doubted = any(v.borrowed.value <= 0 for v in beside if v.borrowed.known)
    if verdict == REPLANT and (case.economics is None or doubted):
        verdict = CLOSE
    lean = "" if verdict != CLOSE else (REPLANT if outcome.value > 0 else KEEP)
    readings = [v.replant_reading.percent for v in [*deciding, *beside] if math.isfinite(v.replant_reading.percent)]
    return ReplantDecision(
        case, s, verdict, lean, outcome, kept, replanted, tuple(deciding), tuple(beside),
        _assumptions(case, deciding, s),
        span(min(readings), sum(readings) / len(readings), max(readings)),
    )  # fmt: skip


def pairs(published: Sequence[ResponseTable], case: ReplantCase) -> list[tuple[ResponseTable, ResponseTable]]:
    """Which table tells the kept, and which the replanted yield.

    Tables of one family and different maturity hold on one scale: a full-season hybrid may be replanted with either, a
    short-season one with a short one. A stated maturity leaves only what fits it.
    """
    out = []
    for a in published:
        for b in published:
            if a is not b and (not a.family or a.family != b.family or (a.maturity, b.maturity) == ("short", "full")):
                continue
            fits = (not a.maturity or case.planted_maturity in ("", a.maturity)) and (
                not b.maturity or case.replant_maturity in ("", b.maturity)
            )
            if fits:
                out.append((a, b))
    return out


@dataclass(frozen=True)
class _Point:
    """One value of every assumption."""

    stand: float
    penalty: float
    as_points: float
    """0: the penalty is a share of the kept yield; 1: points of full yield; between: the mean of both."""
    target: float
    replant_on: dt.date
    risk: float
    full_yield: float
    price: float
    drying: float
    cost: float


def _best_point(case: ReplantCase, s: ReplantSettings) -> _Point:
    e = case.economics
    money = (1.0, 1.0, 0.0, 0.0) if e is None else (e.full_yield.value, e.price.value, e.drying.value, e.cost.value)
    penalty = (case.gaps.low + case.gaps.high) / 2
    stand = case.effective(s.doubtful_weight).value
    return _Point(stand, penalty, 0.5, case.target.value, case.replant_on, s.risk_points.value, *money)


def _less_gaps(percent: float, penalty: float, as_points: float) -> float:
    share, points = percent * (1 - penalty / 100), percent - penalty
    return max((1 - as_points) * share + as_points * points, 0.0)


def net_gain(
    kept_pct: float,
    replanted_pct: float,
    full_yield_kg_ha: float,
    price_t: float,
    cost_ha: float,
    drying_t: float = 0.0,
) -> float:
    """Net gain of replanting. [currency/ha]

    ``yield / 100 x (replanted x (price - drying) - kept x price) - cost``.
    """
    return full_yield_kg_ha / 1000 / 100 * (replanted_pct * (price_t - drying_t) - kept_pct * price_t) - cost_ha


def _result(kept: Estimate, replanted: Estimate, e: Economics | None) -> Estimate:
    """Range of the result over ranges of yields and money, each at either end."""
    if e is None:
        return Estimate(replanted.value - kept.value, replanted.low - kept.high, replanted.high - kept.low, NO_LEVEL)
    # linear in each input, so the extremes lie at the corners
    inputs = (kept, replanted, e.full_yield, e.price, e.cost, e.drying)
    corners = [net_gain(*corner) for corner in itertools.product(*[(x.low, x.high) for x in inputs])]
    return Estimate(net_gain(*(x.value for x in inputs)), min(corners), max(corners), NO_LEVEL)


def _lent(v: TableVerdict, kept: Estimate, replanted: Estimate, case: ReplantCase) -> TableVerdict:
    """A half answer with the side it lacks as the deciding tables have it; other verdicts as they are."""
    if v.kept.known == v.replanted.known:
        return v
    sides = (v.kept if v.kept.known else kept, v.replanted if v.replanted.known else replanted)
    return replace(v, borrowed=_result(*sides, case.economics))


def _at(table: ResponseTable, stand: float, date: dt.date, s: ReplantSettings) -> float:
    """Yield at a stand, cut to the table's stands; below a whole table's thinnest, the middle of its bounds. [%]"""
    low, high = float(table.stand_per_ha[0]), float(table.stand_per_ha[-1])
    if stand < low and not s.hold_edge and table.mark != response_tables.PARTIAL:
        return sum(table.thin_bounds(stand, date)) / 2
    return table.at(min(max(stand, low), high), date, s.hold_edge).percent


def _kept_range(
    table: ResponseTable, stand: Estimate, date: dt.date, s: ReplantSettings, notes: list[str]
) -> tuple[float, float]:
    """Lowest and highest yield over the range of the stand, before gaps; notes on what lies beyond the table. [%]"""
    edge = float(table.stand_per_ha[0])
    low, high, cut = table.over(stand.low, stand.high, date, s.hold_edge)
    if stand.low < edge * (1 - 1e-9) and not s.hold_edge and table.mark != response_tables.PARTIAL:
        bounds = [x for end in (stand.low, min(stand.high, edge)) for x in table.thin_bounds(end, date)]
        known = [x for x in (low, high, *bounds) if math.isfinite(x)]
        low, high = min(known), max(known)
        notes.append(
            "kept: thinner than its thinnest stand; taken between a straight line to no yield and its first slope "
            "carried on (bounds, ours)"
        )
        cut = stand.high > float(table.stand_per_ha[-1]) * (1 + 1e-9)
    if cut:
        notes.append("kept: the range of the stand reaches beyond the table and is cut there")
    return low, high


def _value(v: TableVerdict, p: _Point, case: ReplantCase, s: ReplantSettings) -> float:
    """Result of one table at one point: money where known, else points."""
    kept = _less_gaps(_at(v.kept_table, p.stand, case.planted, s), p.penalty, p.as_points)
    replanted = max(_at(v.replant_table, p.target, p.replant_on, s) - p.risk, 0.0)
    if case.economics is None:
        return replanted - kept
    return net_gain(kept, replanted, p.full_yield, p.price, p.cost, p.drying)


def _read(case: ReplantCase, a: ResponseTable, b: ResponseTable, s: ReplantSettings) -> TableVerdict:
    stand = case.effective(s.doubtful_weight)
    kept_reading = a.at(stand.value, case.planted, s.hold_edge)
    replant_reading = b.at(case.target.value, case.replant_on, s.hold_edge)
    notes = [
        f"{side}: the table is held at its edge ({r.held})"
        for side, r in (("kept", kept_reading), ("replanted", replant_reading))
        if r.held
    ]
    kept = replanted = UNKNOWN
    if math.isfinite(_at(a, stand.value, case.planted, s)) and (
        kept_reading.why == "" or (kept_reading.why == response_tables.BELOW and a.mark != response_tables.PARTIAL)
    ):
        low, high = _kept_range(a, stand, case.planted, s, notes)
        g = case.gaps
        ends = [_less_gaps(k, pen, form) for k in (low, high) for pen in (g.low, g.high) for form in (0.0, 1.0)]
        best = _less_gaps(_at(a, stand.value, case.planted, s), (g.low + g.high) / 2, 0.5)
        kept = Estimate(best, min(ends), max(ends), NO_LEVEL)
    if math.isfinite(replant_reading.percent):
        low, high, cut = b.over(case.target.low, case.target.high, case.replant_on, s.hold_edge)
        if cut:
            notes.append("replanted: the range of the target reaches beyond the table and is cut there")
        r = s.risk_points
        replanted = Estimate(
            max(replant_reading.percent - r.value, 0.0), max(low - r.high, 0.0), max(high - r.low, 0.0), NO_LEVEL
        )
    if b.extrapolated(case.replant_on) and replanted.known:
        notes.append("replanted: the source itself extrapolated so late a date")
    if a.extrapolated(case.planted) and kept.known:
        notes.append("kept: the source itself extrapolated so late a date")
    e = case.economics
    valid = not (e is not None and e.full_yield.high < a.lowest_yield_kg_ha)
    if e is not None and not e.full_yield.low >= a.lowest_yield_kg_ha and not math.isnan(a.lowest_yield_kg_ha):
        notes.append("the source does not hold at so low a full yield" + ("" if valid else ": shown, not used"))
    answers = kept.known and replanted.known
    gain = net = UNKNOWN
    cost = price = stand_edge = math.nan
    side = ""
    if answers:
        gain = _result(kept, replanted, None)
        if e is not None:
            net = _result(kept, replanted, e)
            cost = net.value + e.cost.value
            t = e.full_yield.value / 1000 / 100
            if gain.value > 0:
                price = (e.cost.value + t * replanted.value * e.drying.value) / (t * gain.value)
        stand_edge, side = _breakeven_stand(case, a, replanted.value, s)
    return TableVerdict(
        a, b, kept_reading, replant_reading, kept, replanted, gain, net, cost, price, stand_edge, side, answers, valid,
        tuple(notes),
    )  # fmt: skip


def _breakeven_stand(
    case: ReplantCase, table: ResponseTable, replanted_pct: float, s: ReplantSettings
) -> tuple[float, str]:
    """Effective stand below which replanting pays, all else likeliest, and why there is none. [1/ha]"""
    e = case.economics
    needed = replanted_pct
    if e is not None:
        earned = replanted_pct * (e.price.value - e.drying.value)
        needed = (earned - e.cost.value / (e.full_yield.value / 1000 / 100)) / e.price.value
    penalty = (case.gaps.low + case.gaps.high) / 2
    peak = table.best(case.planted, s.hold_edge)[0]
    points = [
        (float(x), _less_gaps(_at(table, float(x), case.planted, s), penalty, 0.5))
        for x in table.stand_per_ha
        if x <= peak and math.isfinite(_at(table, float(x), case.planted, s))
    ]
    if not points or needed < points[0][1]:
        return math.nan, response_tables.BELOW
    if needed > points[-1][1]:
        return math.nan, response_tables.ABOVE
    for (x0, k0), (x1, k1) in itertools.pairwise(points):
        if k0 <= needed <= k1:
            return x0 + (x1 - x0) * ((needed - k0) / (k1 - k0) if k1 > k0 else 0.0), ""
    return points[0][0], ""


def _assumptions(case: ReplantCase, deciding: Sequence[TableVerdict], s: ReplantSettings) -> tuple[Assumption, ...]:
    """One at a time: the mean result of the deciding tables with each assumption at its ends."""
    best = _best_point(case, s)

    def mean(point: _Point) -> float:
        return sum(_value(v, point, case, s) for v in deciding) / len(deciding)

    base = mean(best)
    made: list[tuple[str, str, str, float, float]] = []

    def vary(name: str, low: _Point, high: _Point, words: tuple[str, str]) -> None:
        a, b = mean(low), mean(high)
        if math.isfinite(a) and math.isfinite(b):
            made.append((name, *words, a, b))

    stand = case.effective(s.doubtful_weight)
    if stand.high > stand.low:
        ends = (f"{stand.low:.0f}/ha", f"{stand.high:.0f}/ha")
        vary("stand", replace(best, stand=stand.low), replace(best, stand=stand.high), ends)
    if case.doubtful_pct > 0:
        dead, alive = case.effective(0.0).value, case.effective(1.0).value
        vary("doubtful plants", replace(best, stand=dead), replace(best, stand=alive), ("all die", "all live"))
    g = case.gaps
    if g.high > g.low:
        ends = (f"{g.low:g} off", f"{g.high:g} off")
        vary("gaps", replace(best, penalty=g.low), replace(best, penalty=g.high), ends)
    if g.high > 0:
        vary("gaps as share or points", replace(best, as_points=0.0), replace(best, as_points=1.0), ("share", "points"))
    if g.hidden and case.crop == "maize" and g.high < s.unseen_gaps_pct:
        ends = ("none", f"{s.unseen_gaps_pct:g} off")
        vary("long gaps not seen", best, replace(best, penalty=max(best.penalty, s.unseen_gaps_pct)), ends)
    fields = [("target", "target stand", case.target, "/ha"), ("risk", "risk of replanting", s.risk_points, " points")]
    if case.economics is not None:
        e = case.economics
        fields += [
            ("full_yield", "full yield", e.full_yield, " kg/ha"), ("price", "price", e.price, "/t"),
            ("cost", "cost of replanting", e.cost, "/ha"), ("drying", "drying of the later crop", e.drying, "/t"),
        ]  # fmt: skip
    for attribute, name, x, unit in fields:
        if x.high > x.low:
            low, high = (replace(best, **{attribute: end}) for end in (x.low, x.high))  # type: ignore[arg-type]
            vary(name, low, high, (f"{x.low:.6g}{unit}", f"{x.high:.6g}{unit}"))
    later = replace(best, replant_on=case.replant_on + dt.timedelta(days=s.delay_days))
    vary("a later replanting", best, later, ("as planned", f"{s.delay_days} days later"))
    if len(deciding) > 1:
        by_table = sorted(((_value(v, best, case, s), v.title) for v in deciding), key=lambda pair: pair[0])
        made.append(("which table", by_table[0][1], by_table[-1][1], by_table[0][0], by_table[-1][0]))
    out = [Assumption(n, a, b, x, y, _sign(x) != _sign(base) or _sign(y) != _sign(base)) for n, a, b, x, y in made]
    return tuple(sorted(out, key=lambda a: -a.swing))


def _sign(x: float) -> int:
    return (x > 0) - (x < 0)


def _union(spans: Sequence[Estimate]) -> Estimate:
    return span(min(x.low for x in spans), sum(x.value for x in spans) / len(spans), max(x.high for x in spans))


def ended(reading: Reading) -> str:
    """Where a table ends on the side on which it does not answer, as ``" 61776/ha"`` or ``" 28 June"``; else empty."""
    if isinstance(reading.limit, dt.date):
        return f" {reading.limit.day} {reading.limit:%B}"
    if reading.limit is None:
        return ""
    return f" {reading.limit:.0f}/ha ({units.per_acre(reading.limit):.0f}/acre)"


def _why_not(v: TableVerdict) -> str:
    if v.answers:
        return "does not hold at so low a full yield"
    told = []
    for side, reading in (("kept", v.kept_reading), ("replanted", v.replant_reading)):
        if reading.why:
            told.append(f"{side}: {reading.why}{ended(reading)}")
    return ", ".join(told)
