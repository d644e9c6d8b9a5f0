"""A trial layout as a picture to take to the field, and its cautions."""

from __future__ import annotations

from typing import Any

from standcam.report import wording
from standcam.report.chart import COLOURS, FAINT, INK, new_chart, png
from standcam.stand.layout import Layout
from standcam.units import feet

CAUTIONS = (
    "Common practice, no source: leave the field's outermost rows and headlands out of the trial; keep strips clear of "
    "tramlines and old wheel tracks, or give every strip the same share of them.",
    "Lay blocks so that soil is alike within a block, and strips so that each crosses what changes along the field.",
    "Plant all strips of a block in one go, with one seed lot, one depth and one fill of the boxes, unless that is "
    "what you test. Note what went otherwise.",
    "Change settings with the planter parked, shut down and blocked, as the operator's manual says. Check by digging "
    "that each setting took hold before the next pass.",
)


def width(rows: int, row_width_cm: float | None, units: str) -> str:
    """Rows and how wide they are."""
    if row_width_cm is None:
        return f"{rows} rows"
    across = rows * row_width_cm
    return f"{rows} rows, {feet(across):.0f} ft" if units == "us" else f"{rows} rows, {across / 100:.1f} m"


def picture(layout: Layout, units: str = "si") -> bytes:
    """Strips side by side, in bands of blocks, with plot numbers, treatments and driving directions (PNG)."""
    from matplotlib.patches import Rectangle

    k, blocks = len(layout.treatments), layout.blocks
    each = max(1, 12 // k)  # blocks in a band
    bands = -(-blocks // each)
    figure, axes = new_chart(bands, 1, width_in=7.0, height_in=1.0 + 3.1 * bands)
    axes = [axes] if bands == 1 else list(axes)
    settings = layout.settings
    colour = {t: COLOURS[i % len(COLOURS)] for i, t in enumerate(layout.treatments)}
    strips = min(each, blocks) * k
    size = 12 if strips <= 14 else 10 if strips <= 20 else 8
    for band, ax in enumerate(axes):
        part = layout.plots[(layout.plots["block"] - 1) // each == band]
        first = int(part["strip"].iloc[0])
        for r in part.itertuples():
            x = r.strip - first + 0.12 * ((r.block - 1) % each)
            ax.add_patch(Rectangle((x, 0), 1, 1, fc=colour[r.treatment], alpha=0.28, ec="none"))
            ax.add_patch(Rectangle((x, 0), 1, 1, fill=False, ec=FAINT, lw=0.8))
            ax.text(x + 0.5, 0.97, str(r.plot), ha="center", va="top", fontsize=size, weight="bold", color=INK)
            name = _treatment(layout, r)
            ax.text(x + 0.5, 0.42, name, ha="center", va="center", rotation=90, fontsize=size + 1, color=INK)
        for block, strips_of in part.groupby("block"):
            shift = 0.12 * ((block - 1) % each) - first
            middle = strips_of["strip"].mean() + 0.5 + shift
            ax.text(middle, 1.03, f"block {block}", ha="center", va="bottom", fontsize=12, color=INK)
        for number, one in part.groupby("planter_pass"):
            at = [s - first + 0.12 * ((b - 1) % each) for s, b in zip(one["strip"], one["block"], strict=True)]
            out = one["direction"].iloc[0] == "out"
            middle = (min(at) + max(at) + 1) / 2
            ax.annotate("", (middle, -0.03 if out else -0.14), (middle, -0.14 if out else -0.03),
                        arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 1.6}, annotation_clip=False)  # fmt: skip
            ax.text(middle, -0.16, f"{number}", ha="center", va="top", fontsize=size, color=INK)
            ax.plot([min(at) + 0.04, max(at) + 0.96], [-0.015, -0.015], color=INK, lw=2.2, clip_on=False)
        ax.set_xlim(-0.05, strips + 0.12 * (min(each, blocks) - 1) + 0.05)
        ax.set_ylim(-0.26, 1.12)
        ax.set_xticks([])
        ax.set_yticks([])
        ax.grid(False)
        ax.spines[["left", "bottom"]].set_visible(False)
        ax.set_xlabel("planter pass, and which way it runs")
    count = layout.plots["count_rows"].iloc[0]
    figure.suptitle(
        f"{k} treatments, {blocks} {'block' if blocks == 1 else 'blocks'}; strips of "
        f"{width(settings.rows, settings.row_width_cm, units)}; count rows {count}",
        fontsize=13, color=INK,
    )  # fmt: skip
    return png(figure)


def _treatment(layout: Layout, r: Any) -> str:
    from standcam.report.trial_report import dose_words

    if not layout.dose:
        return wording.printable(str(r.treatment))[:22]
    name, unit = dose_words(layout.dose)
    return f"{name} {r.treatment} {unit}".strip()[:22]


def lines(layout: Layout, units: str) -> list[str]:
    """What the layout is, what to mind, and the cautions, as printed."""
    s = layout.settings
    n = len(layout.plots)
    passes = int(layout.plots["planter_pass"].max())
    total = passes * s.planter_rows
    part = "" if s.rows == s.planter_rows else f", {s.planter_rows // s.rows} to a planter pass"
    told = [
        f"{n} plots: {len(layout.treatments)} treatments in {layout.blocks} "
        f"{'block' if layout.blocks == 1 else 'blocks'}, strips of {width(s.rows, s.row_width_cm, units)}{part}; "
        f"{passes} passes, {width(total, s.row_width_cm, units)} in all.",
        f"Count and harvest rows {layout.plots['count_rows'].iloc[0]} of each strip"
        + (f" and leave {s.guard_rows} on either side: neighbours differ and shade." if s.guard_rows else
           ": strips are too narrow to leave side rows, so that neighbours can touch each other."),
        f"Drawn by lot with seed {s.seed}; the same seed gives the same layout.",
    ]  # fmt: skip
    if not s.one_way:
        told.append(
            "Passes run out and back in turn. Where slope or wheel tracks matter, drive all one way (--one-way)."
        )
    if s.rows < s.planter_rows:
        told.append(
            "The planter is set up in parts: each part carries one treatment in a pass, and its settings change places "
            "between passes as the map says. Mark which part is which on the planter."
        )
    return [*told, *layout.notes, *CAUTIONS]
