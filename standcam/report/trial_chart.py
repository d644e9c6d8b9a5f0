"""A trial as a figure: every plot, blocks joined, treatment means with their intervals."""

from __future__ import annotations

from typing import Any

from standcam.report import wording
from standcam.report.chart import COLOURS, FAINT, INK, new_chart, png
from standcam.report.trial_report import Words, capital, dose_words
from standcam.stand.trial import Outcome, Trial

_MOST_PANELS = 5


def chart(trial: Trial, words: Words) -> bytes:
    """Every plot as a dot, blocks joined, treatment means with their intervals; one panel a measure (PNG)."""
    import numpy as np

    shown = [o for o in trial.outcomes if o.table["mean"].notna().any()][:_MOST_PANELS]
    dose = bool(trial.design.dose)
    k = len(trial.design.treatments)
    height = 3.6 if dose else 1.5 + 0.52 * k
    figure, axes = new_chart(max(len(shown), 1), 1, width_in=7.0, height_in=height * max(len(shown), 1))
    axes = np.atleast_1d(axes)
    for ax, o in zip(axes, shown, strict=False):
        _panel(ax, trial, o, words, dose)
    return png(figure)


def _panel(ax: Any, trial: Trial, o: Outcome, words: Words, dose: bool) -> None:
    import numpy as np
    from matplotlib import patheffects

    factor = words.factor(o.measure)
    plots = trial.design.plots
    plots = plots[plots[o.measure.name].notna()]
    at = {t: float(i) for i, t in enumerate(trial.design.treatments)}
    if dose:
        at = {t: float(d) for t, d in plots.drop_duplicates("treatment").set_index("treatment")["dose"].items()}
    values = sorted(set(at.values()))
    step = min(np.diff(values), default=1.0) if len(values) > 1 else 1.0
    # on a dose axis dots stand at their dose; on a list of treatments there is room on both sides of the line
    side, shift = (0.0, 0.14 * step) if dose else (0.16 * step, 0.16 * step)
    rng = np.random.default_rng(0)
    for n, (_, part) in enumerate(plots.groupby("block", sort=False)):
        place = part["treatment"].map(at).to_numpy(float)
        y = part[o.measure.name].to_numpy(float) * factor
        order = np.argsort(place, kind="stable")
        joined = trial.design.blocked
        jitter = 0.0 if joined else rng.uniform(-0.05, 0.05, len(place)) * step
        line = (place + jitter)[order] - side, y[order]
        ax.plot(*(line if dose else line[::-1]), "-o" if joined else "o", lw=0.9, ms=6.5, alpha=0.75, mec="white",
                mew=0.6, color=COLOURS[n % len(COLOURS)])  # fmt: skip
    table = o.table[o.table["mean"].notna()]
    for r in table.itertuples():
        x, mean = at[r.treatment] + shift, (r.fitted if r.fitted == r.fitted else r.mean) * factor
        low, high = r.low * factor, r.high * factor
        pair = ([x, x], [low, high])
        if low == low:
            ax.plot(*(pair if dose else pair[::-1]), color=INK, lw=2.4, solid_capstyle="butt")
        ax.plot(*((x, mean) if dose else (mean, x)), "D", color=INK, ms=8)
        text = words.number(o.measure, mean / factor)
        halo = [patheffects.withStroke(linewidth=3, foreground="white")]
        where = {"xytext": (8, 0), "va": "center"} if dose else {"xytext": (0, -9), "ha": "center", "va": "top"}
        ax.annotate(text, (x, mean) if dose else (mean, x), textcoords="offset points", fontsize=11, color=INK,
                    path_effects=halo, **where)  # fmt: skip
    if dose and o.trend is not None and (o.trend.curved or o.trend.p_value < 1 - trial.settings.level):
        ax.plot(o.trend.line[0], o.trend.line[1] * factor, "--", color=FAINT, lw=1.8)
    if dose:
        name, unit = dose_words(trial.design.dose)
        ax.set_xlabel(f"{name} ({unit})" if unit else name)
        ax.set_ylabel(words.heading(o.measure))
        ax.set_xticks(values)
        ax.set_xlim(values[0] - 0.3 * step, values[-1] + 0.8 * step)
        ax.yaxis.set_major_formatter(_thousands(words))
    else:
        ax.set_yticks(list(at.values()), [_wrapped(t) for t in at])
        ax.set_ylim(max(at.values()) + 0.6, min(at.values()) - 0.5)
        ax.set_xlabel(words.heading(o.measure))
        ax.grid(False, axis="y")
        ax.xaxis.set_major_formatter(_thousands(words))
    ax.set_title(_title(trial, o), loc="left", fontsize=11.5)


def _thousands(words: Words) -> Any:
    from matplotlib.ticker import FuncFormatter

    return FuncFormatter(lambda v, _: f"{v:,g}".replace(",", "," if words.us else " ") if v >= 10_000 else f"{v:g}")


def _title(trial: Trial, o: Outcome) -> str:
    level = trial.settings.level
    if o.refused:
        told = "not tested"
    elif o.trend is not None:
        sure = "likely real" if o.trend.p_value < 1 - level else "may be chance"
        told = f"trend {sure}" + (", bent" if o.trend.curved else "")
    else:
        real = sum(c.real(level) for c in o.comparisons)
        n = len(o.comparisons)
        if n == 1:
            told = "difference likely real" if real else "difference may be chance"
        else:
            told = f"{real} of {n} pairs differ" if real else f"none of {n} pairs surely differs"
    parts = "dots: plots" + (", joined by block" if trial.design.blocked else "")
    mean = "" if o.refused else f"; diamond: mean, {level:.0%} interval"
    return f"{capital(o.measure.noun)}: {told}\n{parts}{mean}"


def _wrapped(text: str) -> str:
    import textwrap

    return "\n".join(textwrap.wrap(wording.printable(text), 16)[:3])
