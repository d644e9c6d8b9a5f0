"""The figure of a replant decision: kept and replanted yield by table, and the net gain where money is known."""

from __future__ import annotations

from standcam.report.replant_report import Words
from standcam.stand import response_tables

_NOT_KEPT = {
    response_tables.BELOW: "stand too thin for it", response_tables.ABOVE: "stand too thick for it",
    response_tables.BEFORE: "planted too early for it", response_tables.AFTER: "planted too late for it",
    response_tables.UNREAD: "cell not read",
}  # fmt: skip


def figure(words: Words) -> bytes:
    """Kept and replanted yield by table with their ranges, and the net gain where money is known; PNG."""
    from standcam.report import chart

    d = words.d
    shown = [*d.deciding, *(v for v in d.beside if v.kept.known or v.replanted.known)]
    n = len(shown)
    panels = 2 if d.in_money else 1
    fig, axes = chart.new_chart(1, panels, 9.0 if panels == 2 else 7.0, 2.0 + 0.75 * n)
    left = axes[0] if panels == 2 else axes
    keep_colour, new_colour = chart.COLOURS[0], chart.COLOURS[1]
    for i, v in enumerate(shown):
        shade = 1.0 if v in d.deciding else 0.4
        for x, colour, marker, up in ((v.kept, keep_colour, "o", 0.14), (v.replanted, new_colour, "D", -0.14)):
            if x.known:
                y = n - 1 - i + up
                left.plot([x.low, x.high], [y, y], color=colour, lw=5, alpha=0.45 * shade, solid_capstyle="butt")
                left.plot(x.value, y, marker, color=colour, ms=9, alpha=shade)
        if not v.kept.known:
            left.annotate(
                _NOT_KEPT[v.kept_reading.why], (v.replanted.value, n - 1 - i + 0.1), (-8, 0),
                textcoords="offset points", fontsize=10.5, color=keep_colour, va="center", annotation_clip=False,
            )  # fmt: skip
    names = [v.title.replace(" (", "\n(").replace(", ", ",\n") for v in shown]
    left.set_yticks(range(n - 1, -1, -1), names)
    left.set_ylim(-0.6, n - 0.4)
    left.grid(visible=False, axis="y")
    left.set_xlabel("yield, % of full")
    left.margins(x=0.08)
    handles = [
        left.plot([], [], marker, color=colour, ms=9, label=label)[0]
        for label, colour, marker in (("kept", keep_colour, "o"), ("replanted", new_colour, "D"))
    ]
    if len(shown) > len(d.deciding):
        handles.append(left.plot([], [], "s", color=chart.INK, alpha=0.3, ms=9, label="pale: not in the result")[0])
    fig.legend(handles=handles, loc="outside lower left", ncols=3, frameon=False, fontsize=12)
    if panels == 2:
        right = axes[1]
        for i, v in enumerate(shown):
            result = v.net if v.net.known else v.borrowed
            if result.known:
                y, shade = n - 1 - i, 1.0 if v in d.deciding else 0.4
                low, best, high = (words.per_area(x) for x in (result.low, result.value, result.high))
                right.plot([low, high], [y, y], color=chart.INK, lw=5, alpha=0.4 * shade, solid_capstyle="butt")
                right.plot(best, y, "s", color=chart.INK, ms=9, alpha=shade)
        right.axvline(0, color=chart.INK, lw=1.5)
        right.set_yticks(range(n - 1, -1, -1), [""] * n)
        right.set_ylim(-0.6, n - 0.4)
        right.grid(visible=False, axis="y")
        right.set_xlabel(f"net gain of replanting,{words.behind()} per {words.area}\nbelow 0: keep, above: replant")
    fig.suptitle(words.headline(), fontsize=15, fontweight="bold", color=chart.INK)
    return chart.png(fig)
