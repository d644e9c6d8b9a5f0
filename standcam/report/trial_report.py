"""A trial in words, in tables on the screen and as a figure: the answer first, then how sure it is."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from standcam.report import wording
from standcam.stand.trial import Comparison, Outcome, Trial
from standcam.stand.trial_plots import Measure

if TYPE_CHECKING:
    from rich.console import Console

CAUTIONS = (
    "One trial tells of one field, planter and season: repeat it before you spend on it. A difference in stand is not "
    "yet one in yield or money; local extension or a licensed adviser helps to weigh it.",
    "Before changing or adjusting anything on the planter: park it, shut it down and block it. The operator's manual "
    "and a trained technician have the last word.",
)
_MOST_PAIRS = 15
_MOST_SAID = 4
_ENDINGS = {
    "kmh": "km/h", "km_h": "km/h", "mph": "mph", "cm": "cm", "mm": "mm", "in": "in", "pct": "%", "kpa": "kPa",
    "kg": "kg", "per_ha": "per ha", "kg_ha": "kg/ha", "days": "days",
}  # fmt: skip


class Words:
    """Numbers of a measure in the units of the reader."""

    def __init__(self, units: str, crop: str = "maize") -> None:
        """Units si or us; the crop gives the weight of a bushel."""
        self.us = units == "us"
        self.crop = crop

    def factor(self, measure: Measure) -> float:
        """From the unit of the tables to that shown."""
        if not self.us:
            return 1.0
        if measure.name == "yield_kg_ha":
            bushel = self._bushel()
            return 1.0 / bushel if bushel else 1.0
        return measure.us_factor

    def unit(self, measure: Measure) -> str:
        """Unit shown; points for differences of percentages."""
        if measure.name == "yield_kg_ha" and self.us and not self._bushel():
            return measure.unit
        return measure.us_unit if self.us else measure.unit

    def number(self, measure: Measure, value: float) -> str:
        """A value or difference without sign or unit."""
        value = abs(value * self.factor(measure))
        if not math.isfinite(value):
            return wording.NOTHING
        if measure.name == "plants_per_ha":
            return f"{round(value, -2):,.0f}" if self.us else f"{round(value, -2):,.0f}".replace(",", " ")
        decimals = measure.decimals + (1 if self.us and measure.name == "yield_kg_ha" else 0)
        return f"{value:.{decimals}f}"

    def amount(self, measure: Measure, value: float, word: str = "") -> str:
        """A difference in words: ``2.1 points fewer skips``, ``2 300 fewer plants per ha``."""
        number = self.number(measure, value)
        if measure.name == "plants_per_ha":
            return " ".join(p for p in (number, word, "plants per", "acre" if self.us else "ha") if p)
        return " ".join(p for p in (number, self.unit(measure), word, measure.noun) if p)

    def mean(self, measure: Measure, value: float) -> str:
        """A mean for a table."""
        return self.number(measure, value)

    def heading(self, measure: Measure) -> str:
        """Name and unit of a measure, for a column or an axis."""
        unit = self.unit(measure).replace("points", "%")
        if measure.name == "plants_per_ha":
            return f"plants {'per acre' if self.us else 'per ha'}"
        return f"{measure.noun} ({unit})"

    def _bushel(self) -> float | None:
        from standcam.errors import BadSettings
        from standcam.stand.harvest import bushel_per_acre_kg_ha

        try:
            return bushel_per_acre_kg_ha(self.crop)
        except BadSettings:
            return None


def answer(trial: Trial, outcome: Outcome, words: Words, primary: bool = True) -> list[str]:
    """What a measure says, in a sentence or a few; measures that are not the primary one in fewer words."""
    m = outcome.measure
    name = capital(m.noun)
    if outcome.refused:
        return [f"{name}: not tested, for {outcome.refused}. Means are shown."]
    level = trial.settings.level
    real = sorted((c for c in outcome.comparisons if c.real(level)), key=lambda c: c.p_value)
    doubtful = [c for c in outcome.comparisons if not c.real(level)]
    if outcome.trend is not None:
        pairs = f"{len(real)} of {len(outcome.comparisons)} pairs differ beyond chance, see the table."
        return [*_trend(trial, outcome, words), *([pairs] if primary and len(outcome.comparisons) > 1 else [])]
    if len(outcome.comparisons) == 1:
        c = outcome.comparisons[0]
        return [_real(trial, m, c, words) if real else _doubtful(trial, m, c, words)]
    if not real:
        widest = max(doubtful, key=lambda c: abs(c.difference.value))
        if primary:
            return [
                f"No difference in {m.noun} can be told from chance. The largest: {_doubtful(trial, m, widest, words)}"
            ]
        return [
            f"{name}: no difference can be told from chance (largest: {label(trial, widest.treatment)} "
            f"{words.number(m, widest.difference.value)} {_word(m, widest)} than {label(trial, widest.against)}, "
            f"{_p(widest.p_value)})."
        ]
    lines = [_real(trial, m, c, words) for c in real[: _MOST_SAID if primary else 2]]
    if len(real) > len(lines):
        lines.append(f"{len(real) - len(lines)} more pairs differ in {m.noun}, see the table.")
    if doubtful:
        n = len(doubtful)
        lines.append(f"The other {'pair' if n == 1 else f'{n} pairs'} may differ by chance alone in {m.noun}.")
    return lines


def label(trial: Trial, treatment: str) -> str:
    """A treatment as it is said: numbers of a dose get its name."""
    dose = trial.design.dose
    if not dose or trial.design.kinds or not _is_number(treatment):
        return treatment
    name, unit = dose_words(dose)
    return f"{name} {treatment} {unit}".strip()


def dose_words(dose: str) -> tuple[str, str]:
    """Name and unit of a dose column: speed_kmh is ("speed", "km/h")."""
    for ending, unit in _ENDINGS.items():
        if dose.endswith(f"_{ending}"):
            return dose.removesuffix(f"_{ending}").replace("_", " "), unit
    return dose.replace("_", " "), ""


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def capital(text: str) -> str:
    """Text with a capital first letter and the rest as it is."""
    return text[:1].upper() + text[1:]


def _word(m: Measure, c: Comparison) -> str:
    return m.less if c.difference.value < 0 else m.more


def _real(trial: Trial, m: Measure, c: Comparison, words: Words) -> str:
    d = c.difference
    near, far = sorted((abs(d.low), abs(d.high)))
    return (
        f"{label(trial, c.treatment)} had {words.amount(m, d.value, _word(m, c))} than {label(trial, c.against)}, "
        f"{words.number(m, near)} to {words.number(m, far)}; likely real ({_p(c.p_value)})."
    )


def _doubtful(trial: Trial, m: Measure, c: Comparison, words: Words) -> str:
    d = c.difference
    word, other = (m.less, m.more) if d.value < 0 else (m.more, m.less)
    own, beyond = (d.low, d.high) if d.value < 0 else (d.high, d.low)
    span = f"anything from {words.number(m, own)} {word} to {words.number(m, beyond)} {other} fits."
    if _rounds_to_zero(words.number(m, d.value)):
        return f"{label(trial, c.treatment)} and {label(trial, c.against)} were alike in {m.noun}; {span}"
    return (
        f"{label(trial, c.treatment)} had {words.amount(m, d.value, word)} than {label(trial, c.against)}, which may "
        f"be chance ({_p(c.p_value)}): {span}"
    )


def _trend(trial: Trial, outcome: Outcome, words: Words) -> list[str]:
    t, m = outcome.trend, outcome.measure
    assert t is not None
    name, unit = dose_words(trial.design.dose)
    each = f"each {unit} of {name}" if unit else f"each unit of {name}"
    level = trial.settings.level
    s = t.slope
    word = m.less if s.value < 0 else m.more
    if t.p_value < 1 - level:
        near, far = sorted((abs(s.low), abs(s.high)))
        line = (
            f"With {each}: {words.amount(m, s.value, word)}, {words.number(m, near)} to {words.number(m, far)}; "
            f"likely real ({_p(t.p_value)})."
        )
    else:
        line = (
            f"With {each}: {words.amount(m, s.value, word)}, which may be chance ({_p(t.p_value)}; "
            f"{words.number(m, s.low)} {m.less if s.low < 0 else m.more} to {words.number(m, s.high)} "
            f"{m.less if s.high < 0 else m.more})."
        )
    if math.isfinite(t.misfit_p) and t.misfit_p < 1 - level:
        line += f" A straight line does not fit (lack of fit {_p(t.misfit_p)})" + (
            f"; a curve does ({_p(t.curve_p)}): the slope holds near {t.at:g} {unit} only."
            if t.curved
            else ": read the means, not the slope."
        )
    elif math.isfinite(t.misfit_p):
        line += f" A straight line will do (lack of fit {_p(t.misfit_p)})."
    return [line]


def power_lines(trial: Trial, outcome: Outcome, words: Words) -> list[str]:
    """What so many plots can show, and how many more it would take."""
    if outcome.refused or outcome.means is None:
        return []
    m, now = outcome.measure, outcome.plots_each
    each = f"{now:.0f}" if abs(now - round(now)) < 0.05 else f"about {now:.1f}"
    line = (
        f"{capital(m.noun)}: {each} plots of each treatment find a true difference of "
        f"{_short(m, outcome.detectable, words)} {trial.settings.chance:.0%} of the time, smaller ones less often."
    )
    if math.isfinite(outcome.wanted):
        line += " " + _needed(f"To find {_short(m, outcome.wanted, words)}", outcome.plots_wanted, now)
        return [line]
    doubtful = [c for c in outcome.comparisons if not c.real(trial.settings.level)]
    if doubtful:
        c = max(doubtful, key=lambda c: abs(c.difference.value))
        if _rounds_to_zero(words.number(m, c.difference.value)):
            return [line]
        of = f" ({label(trial, c.treatment)}, {label(trial, c.against)})" if len(outcome.comparisons) > 1 else ""
        line += " " + _needed(f"To find the {_short(m, c.difference.value, words)} seen{of}", c.plots_needed, now)
    return [line]


def _short(m: Measure, value: float, words: Words) -> str:
    if m.name == "plants_per_ha":
        return words.amount(m, value)
    return f"{words.number(m, value)} {words.unit(m)}"


def _needed(what: str, n: int | None, now: float) -> str:
    if n is None:
        return f"{what} would take more than 500 plots of each."
    more = n - round(now)
    return f"{what} would take about {n}" + (f", {more} more." if more > 0 else ": there are enough.")


def yield_lines(trial: Trial, words: Words) -> list[str]:
    """Yield against spacing SD, beside what is published."""
    r = trial.yield_on_spacing
    if "yield_kg_ha" not in trial.design.plots:
        return []
    if r is None:
        return ["Yield against spacing SD: too few plots with both to tell, treatment and block taken out."]
    bushel = words._bushel() if words.us else None
    factor, unit = (2.54 / bushel, "bu/ac per inch") if bushel else (1.0, "kg/ha per cm")
    decimals = 1 if bushel else 0
    low, value, high = (factor * v for v in (r.slope.low, r.slope.value, r.slope.high))
    least, most = (factor * v for v in r.published)
    lines = [
        f"Yield and spacing SD, within treatment{' and block' if trial.design.blocked else ''}: "
        f"{value:+.{decimals}f} {unit} of SD ({low:+.{decimals}f} to {high:+.{decimals}f}, {r.plots} plots, "
        f"{_p(r.p_value)})."
    ]
    if words.crop in ("maize", "corn"):
        lines[0] += (
            f" Published losses for maize run from {least:.{decimals}f} to {most:.{decimals}f} {unit} above an SD of "
            f"{wording.spacing(r.threshold_cm, 'us' if words.us else 'si')}."
        )
    lines.append(
        "That is no test of spacing: soil, depth and population change with it from plot to plot, and plots of "
        "different treatments differ in more than spacing."
    )
    return lines


def show(trial: Trial, words: Words, to: Console, notes: list[str], out: Any) -> None:
    """Print a trial."""
    from rich.markup import escape

    def say(text: str) -> None:
        to.print(escape(wording.printable(text)))

    design = trial.design
    n = len(design.plots)
    blocks = design.plots["block"].nunique()
    say(
        f"{len(design.treatments)} treatments in {n} plots"
        + (f", {blocks} blocks" if design.blocked else ", no blocks")
        + f", {int(design.plots['rows'].sum())} measured rows."
    )
    to.print()
    refused = {o.refused for o in trial.outcomes}
    if len(refused) == 1 and "" not in refused:
        to.print(
            f"[bold]{escape(wording.printable(f'Nothing was tested, for {refused.pop()}. Means are shown.'))}[/bold]"
        )
    for i, outcome in enumerate(trial.outcomes if refused else ()):
        for j, line in enumerate(answer(trial, outcome, words, i == 0)):
            text = escape(wording.printable(line))
            to.print(f"[bold]{text}[/bold]" if i == 0 and j == 0 else text)
    to.print()
    to.print(_means_table(trial, words))
    if any(len(o.comparisons) > 1 for o in trial.outcomes):
        to.print()
        to.print(_pairs_table(trial, words))
    to.print()
    for o in trial.outcomes:
        for line in power_lines(trial, o, words):
            say(line)
    for line in yield_lines(trial, words):
        say(line)
    to.print()
    if plots_each := _unreplicated(trial):
        say(
            f"With {plots_each} nothing can be tested, however many rows are counted. It takes 2 of each treatment at "
            "the very least; 4 to 6 blocks are usual (common practice, no source). standcam layout draws them by lot."
        )
    if any(not o.refused for o in trial.outcomes):
        say(
            "Plots are counted out from the scatter and the differences seen, both unsure themselves: a rough guide. "
            "--difference tells it for one that is worth money to you."
        )
    if sum(not o.refused for o in trial.outcomes) > 1:
        say(
            f"{capital(trial.outcomes[0].measure.noun)} is the primary measure. Each measure is a family by itself: "
            f"its pairs are kept at {trial.settings.level:.0%} together, but {len(trial.outcomes)} measures give "
            "chance as many tries. Name the primary measure before you look (--measure, the first counts)."
        )
    for line in dict.fromkeys([*notes, *trial.notes]):
        say(line)
    for line in _of_measures(trial):
        say(line)
    say(f"Results are in {out}")
    for line in CAUTIONS:
        say(line)


def _unreplicated(trial: Trial) -> str:
    return "one plot of each treatment" if trial.design.plots["treatment"].is_unique else ""


def _of_measures(trial: Trial) -> list[str]:
    """Notes and models, measures with the same one named together."""
    said: dict[str, list[str]] = {}
    for o in trial.outcomes:
        for note in o.notes:
            said.setdefault(note, []).append(o.measure.noun)
    lines = [f"({', '.join(nouns)}) {note}" for note, nouns in said.items()]
    models: dict[str, list[str]] = {}
    for o in trial.outcomes:
        if o.means is not None:
            family = {"Tukey": "; pairs by Tukey's range", "Dunnett": "; against the control by Dunnett"}
            models.setdefault(o.means.model + family.get(o.method, ""), []).append(o.measure.noun)
    lines += [f"({', '.join(nouns)}) Tested by {model}." for model, nouns in models.items()]
    return lines


def _means_table(trial: Trial, words: Words) -> Any:
    from rich.markup import escape
    from rich.table import Table

    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    table.add_column("mean of plots", overflow="fold", min_width=8)
    table.add_column("plots", justify="right")
    for o in trial.outcomes:
        table.add_column(words.heading(o.measure), justify="right")
    plots = trial.design.plots.groupby("treatment").size()
    for t in trial.design.treatments:
        cells = [words.mean(o.measure, o.table.set_index("treatment").loc[t, "mean"]) for o in trial.outcomes]
        table.add_row(escape(wording.printable(label(trial, t))), str(plots[t]), *cells)
    return table


def _pairs_table(trial: Trial, words: Words) -> Any:
    from rich.markup import escape
    from rich.table import Table

    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    for name in ("difference in", "between", "", f"{trial.settings.level:.0%} range", "% of mean", "p", ""):
        number = name not in ("difference in", "between") and (name or len(table.columns) == 2)
        table.add_column(name, justify="right" if number else "left", overflow="fold")
    for o in trial.outcomes:
        shown = sorted(o.comparisons, key=lambda c: c.p_value)
        for i, c in enumerate(shown[:_MOST_PAIRS]):
            d = c.difference
            table.add_row(
                escape(words.heading(o.measure)) if i == 0 else "",
                escape(wording.printable(f"{label(trial, c.treatment)} less {label(trial, c.against)}")),
                _signed(o.measure, d.value, words),
                f"{_signed(o.measure, d.low, words)} to {_signed(o.measure, d.high, words)}",
                "-" if not math.isfinite(c.percent.value) else f"{c.percent.value:+.0f}",
                _p(c.p_value).removeprefix("p "),
                "likely real" if c.real(trial.settings.level) else "may be chance",
            )
        if len(shown) > _MOST_PAIRS:
            table.add_row("", f"and {len(shown) - _MOST_PAIRS} more, see comparisons.csv", "", "", "", "", "")
    return table


def _rounds_to_zero(number: str) -> bool:
    return not any(c in "123456789" for c in number)


def _signed(m: Measure, value: float, words: Words) -> str:
    text = words.number(m, value)
    if _rounds_to_zero(text):
        return text
    return ("-" if value < 0 else "+") + text


def _p(p: float) -> str:
    return "p < 0.001" if p < 0.001 else f"p {p:.3f}" if p < 0.1 else f"p {p:.2f}"
