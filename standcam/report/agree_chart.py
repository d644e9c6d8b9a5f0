"""The picture of ``standcam agree``: both lists of each row joined where paired, and a Bland-Altman plot."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from standcam import units
from standcam.report import chart
from standcam.validation.agreement import NORMAL_MULTIPLIER, agreement

if TYPE_CHECKING:
    from standcam.validation.compare import Comparison, RowAgreement

MOST_ROWS = 8
"""Rows drawn; the worst ones, if there are more."""
PHOTO, TAPE, WRONG = chart.COLOURS[0], chart.INK, chart.COLOURS[1]


def agree_chart(comparison: Comparison, system: str) -> bytes:
    """PNG of all rows compared, or of the worst if they are many."""
    compared = [r for r in comparison.rows if r.compared]
    shown = compared
    if len(compared) > MOST_ROWS:
        wrong = np.array([int(r.line["missed"]) + int(r.line["extra"]) for r in compared])  # type: ignore[call-overload]
        worst = sorted(np.argsort(-wrong, kind="stable")[:MOST_ROWS])
        shown = [compared[i] for i in worst]
    heights = [1.25] * len(shown) + [3.4]
    figure, axes = chart.new_chart(len(heights), 2, width_in=8.0, height_in=sum(heights) + 0.5)
    grid = axes.ravel()[0].get_gridspec()
    grid.set_height_ratios(heights)
    for i, row in enumerate(shown):
        for ax in np.atleast_2d(axes)[i]:
            ax.remove()
        ax = figure.add_subplot(grid[i, :])
        chart.dress(ax)
        key = row.photo.key
        plots = {r.photo.key.plot for r in comparison.rows if r.photo.key.photo == key.photo}
        name = f"{key.photo} plot {key.plot}" if len(plots) > 1 else key.photo
        _draw_row(ax, row, name, system, last=i == len(shown) - 1)
    left, right = np.atleast_2d(axes)[-1]
    factor, unit = (1 / units.CM_PER_INCH, "in") if system == "us" else (1.0, "cm")
    gap = np.concatenate([np.zeros((0, 2)), *(r.gap_pairs for r in compared)]) * factor
    _bland_altman(left, gap[:, 0], gap[:, 1], f"gap, {unit}", f"Gaps, {len(gap)} with the same two plants", 2)
    counts = np.array([(r.line["photo_plants"], r.line["tape_plants"]) for r in compared], float).reshape(-1, 2)
    if len(counts) >= 3:
        title = f"Plants per row, {len(counts)} rows"
        _bland_altman(right, counts[:, 0], counts[:, 1], "plants per row", title, 1)
    else:
        right.remove()
        left.set_subplotspec(grid[-1, :])
    if len(shown) < len(compared):
        figure.suptitle(f"The {len(shown)} worst of {len(compared)} rows", fontsize=12, color=chart.INK)
    return chart.png(figure)


def _draw_row(ax: Any, row: RowAgreement, name: str, system: str, last: bool) -> None:
    """Photo above, tape below, on the scale of the tape."""
    factor, unit = (1 / units.CM_PER_INCH, "in") if system == "us" else (1.0, "cm")
    plants = row.plants
    plants = plants[plants["kind"] != "beyond"]
    photo, tape = plants["photo_on_tape_cm"].to_numpy(float) * factor, plants["tape_cm"].to_numpy(float) * factor
    kind = plants["kind"].to_numpy(object)
    begin, end = (float(row.line[n]) * factor for n in ("common_from_cm", "common_to_cm"))  # type: ignore[arg-type]
    for y in (1.0, 0.0):
        ax.plot([begin, end], [y, y], color=chart.FAINT, linewidth=1.2, zorder=1)
    size = min(52.0, max(8.0, 52.0 * 30 / max(len(plants), 1)))
    both = np.isfinite(photo) & np.isfinite(tape)
    for p, t in zip(photo[both], tape[both], strict=True):
        ax.plot([p, t], [1, 0], color=chart.FAINT, linewidth=1.2, zorder=1)
    sure = kind == "paired"
    ax.scatter(photo[sure], np.ones(sure.sum()), s=size, color=PHOTO, zorder=3)
    ax.scatter(tape[sure], np.zeros(sure.sum()), s=size, color=TAPE, zorder=3)
    edge = kind == "at_edge"
    for place, y in ((photo, 1.0), (tape, 0.0)):
        at = edge & np.isfinite(place)
        ax.scatter(place[at], np.full(at.sum(), y), s=0.8 * size, facecolors="white", edgecolors=chart.FAINT, zorder=3)
    missed, extra = kind == "missed", kind == "extra"
    ax.scatter(
        tape[missed], np.zeros(missed.sum()), s=2.2 * size, marker="X", color=WRONG, edgecolors="white", zorder=4
    )
    ax.scatter(photo[extra], np.ones(extra.sum()), s=2.6 * size, marker="P", color=WRONG, edgecolors="white", zorder=4)
    ax.set_yticks([0, 1], ["tape", "photo"])
    ax.set_ylim(-0.55, 1.55)
    ax.grid(False)
    ax.spines["left"].set_visible(False)
    ax.tick_params(axis="y", length=0)
    words = f"{row.line['hit']} of {row.line['tape_plants']} found, {row.line['extra']} extra"
    if row.line["reversed"]:
        words += ", tape read the other way"
    ax.set_title(f"{chart.plain(name, 32)} row {row.photo.key.row}: {words}", loc="left", fontsize=12, color=chart.INK)
    if last:
        ax.set_xlabel(f"on the tape, {unit}     ✖ missed   ✚ extra   ○ not judged", fontsize=11)


def _bland_altman(ax: Any, found: np.ndarray, true: np.ndarray, name: str, title: str, decimals: int) -> None:
    """Differences over means, with bias, limits and their intervals."""
    ax.set_title(title, loc="left", fontsize=12, color=chart.INK)
    ax.set_xlabel(f"mean of photo and tape: {name}")
    ax.set_ylabel("photo - tape")
    if not len(found):
        ax.text(0.5, 0.5, "nothing to compare", transform=ax.transAxes, ha="center", color=chart.FAINT)
        return
    middle, difference = (found + true) / 2, found - true
    where, times = np.unique(np.c_[middle, difference].round(9), axis=0, return_counts=True)
    ax.scatter(where[:, 0], where[:, 1], s=28 + 22 * (times - 1), color=PHOTO, alpha=0.75, zorder=3, linewidths=0)
    a = agreement(found, true, NORMAL_MULTIPLIER)
    ax.axhline(0, color=chart.FAINT, linewidth=1)
    if a.n < 2:
        return
    for value, interval, style in (
        (a.bias, a.bias_interval, "-"), (a.low, a.low_interval, "--"), (a.high, a.high_interval, "--"),
    ):  # fmt: skip
        if not math.isfinite(value):
            continue
        ax.axhspan(interval.low, interval.high, color=WRONG, alpha=0.12, linewidth=0)
        ax.axhline(value, color=WRONG, linewidth=1.8, linestyle=style)
        ax.annotate(
            f"{value:+.{decimals}f}", (1, value), xycoords=("axes fraction", "data"), xytext=(3, 0),
            textcoords="offset points", va="center", fontsize=11, color=WRONG, annotation_clip=False,
        )  # fmt: skip
