"""What ``standcam agree`` says and writes: the answer first, then its range, what cannot be told, cautions."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from standcam import units
from standcam.estimate import Estimate
from standcam.report import wording
from standcam.report.csv_tables import csv_text
from standcam.report.wording import plural
from standcam.spacing import metrics
from standcam.validation import agree_tables
from standcam.validation import compare as cmp
from standcam.validation.agreement import concordance_words
from standcam.validation.align import OK

if TYPE_CHECKING:
    from rich.table import Table

    from standcam.validation.compare import Comparison

MOST_LISTED = 12
"""Missed and extra plants spelt out on the screen; pairs.csv has them all."""
LOOSE = 0.3
"""Pairs that scatter more than this share of the tolerance may be of different rows: of simulated photos of the
same row 1 in 20 scattered so, of those of another row that were claimed, two in three."""
FEW_ROWS = 5
MOST_ROWS = 40
"""Rows in the table on the screen; agree.csv has them all."""


def files(comparison: Comparison, system: str) -> dict[str, bytes | str]:
    """Files of the results folder, without run.json."""
    from standcam.report.agree_chart import agree_chart

    return {
        "agree.csv": csv_text(agree_tables.AGREE, comparison.table),
        "pairs.csv": csv_text(agree_tables.PAIRS, comparison.plants),
        "limits.csv": csv_text(agree_tables.LIMITS, comparison.limits),
        "classes.csv": csv_text(agree_tables.CLASSES, comparison.classes),
        "agree.png": agree_chart(comparison, system),
    }


def record(comparison: Comparison) -> dict[str, Any]:
    """Sums over rows for run.json: values with the ends of their intervals."""
    c = comparison
    return {
        "rows_compared": c.compared,
        **{name: c.total(name) for name in ("tape_plants", "photo_plants", "hit", "missed", "extra")},
        **{
            name: [e.value, e.low, e.high]
            for name, e in (
                ("recall", c.recall), ("precision", c.precision), ("f1", c.f1),
                ("recall_by_rows", c.recall_by_rows), ("precision_by_rows", c.precision_by_rows),
                ("f1_by_rows", c.f1_by_rows), ("scale_pct", c.scale_pct),
            )
        },
        **{
            name: getattr(c, name)
            for name in ("mean_error_cm", "rms_error_cm", "p95_error_cm", "claimed_error_cm", "nominal_cm")
        },
        "rows_tied": c.tied.how,
    }  # fmt: skip


def answer(comparison: Comparison, system: str) -> str:
    """The one line that matters."""
    c = comparison
    if not c.compared:
        if not c.counted:
            return "No row could be compared."
        q = c.limits[c.limits["quantity"] == cmp.PER_M].iloc[0]
        name, factor, _ = _quantity(cmp.PER_M, system)
        tape = factor * q["tape_mean"]
        return (
            f"No row could be compared plant by plant. {name.split(',')[0]}: {tape + factor * q['bias']:.2f} by photo "
            f"and {tape:.2f} by tape over {plural(c.counted, 'row')}."
        )
    asked, extra = c.total("tape_plants"), c.total("extra")
    parts = [
        f"Photo found {c.total('hit')} of {plural(asked, 'plant')} ({_share(_wider(c.recall, c.recall_by_rows))}), "
        f"{extra} extra"
    ]
    if math.isfinite(c.rms_error_cm):
        parts.append(f"positions agree to {small(c.rms_error_cm, system)}")
    scale = scale_words(c.scale_pct)
    return "; ".join([*parts, scale] if scale else parts) + "."


def scale_words(scale: Estimate) -> str:
    """Scale difference in words; empty if not known."""
    if not scale.known:
        return ""
    side = "long" if scale.value > 0 else "short"
    value = abs(scale.value)
    if max(value, abs(scale.low), abs(scale.high)) < 0.05:
        return "photo reads lengths right"
    if not math.isfinite(scale.low):
        return f"photo reads {value:.1f} % {side}"
    ends = sorted((abs(scale.low), abs(scale.high)))
    if scale.low <= 0 <= scale.high:
        return f"photo reads lengths right within {ends[1]:.1f} % ({scale.low:+.1f} to {scale.high:+.1f} %)"
    return f"photo reads {value:.1f} % {side} ({ends[0]:.1f} to {ends[1]:.1f} %)"


def range_lines(comparison: Comparison, system: str) -> list[str]:
    """Shares, position error and scale with their intervals and names."""
    c = comparison
    if not c.compared:
        return []
    level = f"{100 * c.recall.level:.0f} %"
    lines = [
        f"Over {plural(c.compared, 'row')}, {level} intervals: recall {_share(c.recall)}; precision "
        f"{_share(c.precision)}; F1 {_share(c.f1)}, taking plants as independent (Wilson)."
    ]
    if math.isfinite(c.recall_by_rows.low):
        lines.append(
            f"With rows drawn anew (bootstrap): recall {_ends(c.recall_by_rows)}, precision "
            f"{_ends(c.precision_by_rows)}, F1 {_ends(c.f1_by_rows)}. The wider one holds."
        )
    if math.isfinite(c.mean_error_cm):
        claimed = ""
        if math.isfinite(c.claimed_error_cm):
            claimed = f" The photos themselves claim {small(c.claimed_error_cm, system)}."
        lines.append(
            f"Position error, tape reading included, offset and scale taken out: mean {small(c.mean_error_cm, system)}"
            f", root mean square {small(c.rms_error_cm, system)}, 95 % within {small(c.p95_error_cm, system)}.{claimed}"
        )
    if c.compared == 2 and c.scale_pct.known:
        lines.append("The scale's interval is of these two rows: what photos differ by takes three rows or more.")
    return lines


def rows_table(comparison: Comparison, system: str) -> Table:
    """One line a row that was compared."""
    from rich.table import Table

    unit = "in" if system == "us" else "mm"
    table = Table(box=None, padding=(0, 1, 0, 0), pad_edge=False, header_style="bold")
    table.add_column("photo", overflow="fold", min_width=8)
    names = ("row", "tape\nrow", "laid at", "found", "extra", f"error\n{unit}", "photo reads\n% long (+)")
    for name in names:
        table.add_column(name, justify="right", no_wrap=True)
    good = comparison.table[comparison.table["status"] == OK]
    for r in good.head(MOST_ROWS).itertuples():
        offset = wording.spacing(r.offset_cm, system)
        interval = f" ({r.scale_low_pct:+.1f} to {r.scale_high_pct:+.1f})" if math.isfinite(r.scale_low_pct) else ""
        table.add_row(
            wording.printable(_photo(comparison, r.photo, r.plot)),
            str(r.row),
            str(r.tape_row),
            f"{offset}{' reversed' if r.reversed else ''}",
            f"{r.hit} of {r.tape_plants}",
            str(r.extra),
            small(r.rms_error_cm, system, unit=False),
            (f"{r.scale_pct:+.1f}" if math.isfinite(r.scale_pct) else wording.NOTHING) + interval,
        )
    if len(good) > MOST_ROWS:
        table.add_row(f"and {len(good) - MOST_ROWS} more, see agree.csv")
    return table


def plant_lines(comparison: Comparison, system: str) -> list[str]:
    """Missed and extra plants by their places."""
    wrong = comparison.plants[comparison.plants["kind"].isin(["missed", "extra"])]
    lines = []
    for p in list(wrong.itertuples())[:MOST_LISTED]:
        if p.kind == "missed":
            where = f"at {wording.spacing(p.tape_cm, system)} of the tape (its plant {p.tape_plant})"
        else:
            where = f"plant {p.plant}, at {wording.spacing(p.photo_on_tape_cm, system)} of the tape"
        lines.append(f"{p.kind:6} {_photo(comparison, p.photo, p.plot)} row {p.row}: {where}")
    if len(wrong) > MOST_LISTED:
        lines.append(f"and {len(wrong) - MOST_LISTED} more, see pairs.csv.")
    return lines


def class_lines(comparison: Comparison, system: str) -> list[str]:
    """How gaps were classed by the two ways, as far as they were not classed alike."""
    c = comparison
    if not math.isfinite(c.nominal_cm) or not c.compared:
        return []
    counts = c.classes[[*metrics.KINDS, "none"]].to_numpy(int)
    by_tape, by_photo = counts[:-1].sum(axis=1), counts[:, :-1].sum(axis=0)
    lines = [
        f"Classes against {wording.spacing(c.nominal_cm, system)}: doubles {by_tape[0]} by tape and {by_photo[0]} by "
        f"photo; singles {by_tape[1]} and {by_photo[1]}; skips {by_tape[2:].sum()} and {by_photo[2:].sum()}."
    ]
    false_skips, false_doubles = int(counts[-1, 2:-1].sum()), int(counts[-1, 0])
    lost = int(counts[:-1, -1].sum())
    if false_skips or false_doubles or lost:
        lines.append(
            f"Of the tape's gaps the photo lacks {lost}, a plant being missed or added at them. In their place it "
            f"shows gaps of its own, among them {plural(false_skips, 'skip')} and {plural(false_doubles, 'double')}."
        )
    return lines


def class_table(comparison: Comparison) -> Table:
    """Tape against photo, classes of gaps; only what occurs."""
    from rich.table import Table

    names = [*metrics.KINDS, "none"]
    counts = comparison.classes[names].to_numpy(int)
    shown = [i for i in range(len(names)) if counts[i].any() or counts[:, i].any()]
    table = Table(box=None, padding=(0, 1, 0, 0), pad_edge=False, header_style="bold")
    table.add_column("by tape \\ by photo")
    for i in shown:
        table.add_column(_class_name(names[i]), justify="right", no_wrap=True)
    for i in shown:
        table.add_row(_class_name(names[i]), *(str(counts[i, j]) if counts[i, j] else "." for j in shown))
    return table


def limit_lines(comparison: Comparison, system: str) -> list[str]:
    """Limits of agreement and concordance, one line a quantity."""
    lines = []
    for q in comparison.limits.itertuples():
        name, factor, decimals = _quantity(q.quantity, system)
        if q.n < 2:
            continue
        bias, sd, low, high = (factor * v for v in (q.bias, q.sd, q.limit_low, q.limit_high))
        ends = f"{factor * q.bias_low:+.{decimals}f} to {factor * q.bias_high:+.{decimals}f}"
        text = (
            f"{name}: photo - tape {bias:+.{decimals}f} ({ends}), limits {low:+.{decimals}f} to {high:+.{decimals}f} "
            f"(bias ± {q.multiplier:g} SD, SD {sd:.{decimals}f}), {q.n} {q.of}"
        )
        if math.isfinite(q.concordance):
            interval = (
                f" ({q.concordance_low:.3f} to {q.concordance_high:.3f})" if math.isfinite(q.concordance_low) else ""
            )
            text += f"; concordance {q.concordance:.3f}{interval}, {concordance_words(q.concordance)}"
        lines.append(text + ".")
    few = comparison.compared
    if 0 < few < FEW_ROWS:
        lines.append(f"Over {plural(few, 'row')} limits and concordance of rows mean little; gaps tell more.")
    elif few:
        lines.append("Concordance is low where rows are much alike, however well the two ways agree.")
    return lines


def lost_lines(comparison: Comparison) -> list[str]:
    """Rows that were not compared, by name and with the reason."""
    c = comparison
    lines = [
        f"Not compared: {_photo(c, r.photo, r.plot)} row {r.row} with {r.tape_photo} row {r.tape_row}: {r.reason}."
        for r in c.table[c.table["status"] != OK].itertuples()
    ]
    for side, alone in (("photo", c.tied.photo_alone), ("tape", c.tied.tape_alone)):
        if alone:
            told = "; ".join(str(key) for key in alone[:MOST_LISTED])
            more = f" and {len(alone) - MOST_LISTED} more" if len(alone) > MOST_LISTED else ""
            lines.append(f"No counterpart for {plural(len(alone), 'row')} of the {side} results: {told}{more}.")
    return [*c.notes, *lines]


def untold_lines(comparison: Comparison, same_zero: bool, system: str) -> list[str]:
    """What these data cannot tell."""
    c = comparison
    lines = []
    refused = c.table[~c.table["status"].isin([OK, cmp.NOT_MEASURED])]
    if (refused["status"] == "ambiguous").any():
        lines.append(
            "An evenly spaced row fits itself shifted: measure a longer stretch, or start tape and photo at one peg "
            "and give --same-zero."
        )
    if (refused["status"] == "no_fit").any():
        lines.append(
            "Rows that fit nowhere are different rows, or their scales differ by more than was looked for: widen "
            "--max-scale-pct."
        )
    if len(refused) and c.compared:
        lines.append("Rows left out may be those that the photo did worst on: the shares above may flatter it.")
    if not c.compared:
        return lines
    lines.append(
        "Which of the two is wrong: an extra may be a plant that the tape missed, and a missed one a weed that it "
        "counted. Look at the marked photo."
    )
    if not same_zero:
        lines.append("Whether photo positions are off as a whole: the offset was found from the plants themselves.")
    edge = int((c.plants["kind"] == "at_edge").sum())
    if edge:
        lines.append(f"{plural(edge, 'plant')} too near an end of the common stretch to be judged, left out.")
    chance = float(c.table.loc[c.table["status"] == OK, "chance_hit"].mean())
    reach = max(r.alignment.tolerance_cm for r in c.rows if r.compared and r.alignment)
    lines.append(
        f"Pairs lie within {wording.spacing(reach, system)}: a find placed blindly would pair {100 * chance:.0f} times "
        "in 100, so shares near that are worth nothing."
    )
    return lines


def caution_lines(comparison: Comparison) -> list[str]:
    """What to beware of when acting on the figures."""
    c = comparison
    if not c.compared and not c.counted:
        return ["Nothing about the photos follows from this run."]
    lines = []
    if not c.compared:
        lines.append("Equal counts may hide as many plants missed as added, and stretches that are not the same.")
    for r in c.rows:
        if not r.compared or r.alignment is None or r.alignment.place is None:
            continue
        name = f"{_photo(c, r.photo.key.photo, r.photo.key.plot)} row {r.photo.key.row}"
        error = float(r.line["rms_error_cm"])  # type: ignore[arg-type]
        if error > LOOSE * r.alignment.tolerance_cm:
            lines.append(
                f"{name}: paired plants lie {10 * error:.0f} mm apart, as two "
                "different rows may. Check that tape and photo show the same row."
            )
        if r.alignment.scale_at_limit:
            lines.append(
                f"{name}: the scale difference is the largest that was looked for, and "
                " the true one may be larger: widen --max-scale-pct."
            )
    scale = c.scale_pct
    if scale.known and math.isfinite(scale.low) and not scale.low <= 0 <= scale.high and abs(scale.value) >= 0.5:
        wrong = 100 * (1 / (1 + scale.value / 100) - 1)
        lines.append(
            f"Spacings and row lengths from such photos are {abs(scale.value):.1f} % too "
            f"{'long' if scale.value > 0 else 'short'}, plants per area {abs(wrong):.1f} % too "
            f"{'many' if wrong > 0 else 'few'}. Measure the board or stick, and lay it at the height of the soil."
        )
    lines.append(
        "The agreement holds for photos like these: same crop, stage, light, weeds and way of taking them. "
        "Replanting and planter changes are costly; local advice decides."
    )
    return lines


def small(cm: float, system: str, unit: bool = True) -> str:
    """A small distance: ``4 mm`` or ``0.16 in``."""
    if system == "us":
        text, name = wording.number(units.inches(cm), 2), "in"
    else:
        text, name = wording.number(10 * cm, 0), "mm"
    return f"{text} {name}" if unit and text != wording.NOTHING else text


def _photo(comparison: Comparison, photo: str, plot: str) -> str:
    """Name of a photo, with the plot where a file holds several."""
    plots = comparison.table.loc[comparison.table["photo"] == photo, "plot"].nunique()
    return f"{photo} plot {plot}" if plots > 1 else photo


def _quantity(name: str, system: str) -> tuple[str, float, int]:
    """Name in the wanted units, factor to them, decimals."""
    if name.endswith(", cm"):
        name = name.removesuffix(", cm")
        said = "Gap, one by one" if name == "gap" else name[:1].upper() + name[1:]
        return (f"{said}, in", 1 / units.CM_PER_INCH, 2) if system == "us" else (f"{said}, cm", 1.0, 2)
    if name == cmp.PER_M:
        said = "Plants per ft" if system == "us" else "Plants per m"
        return f"{said}, whole rows, each on its own stretch", units.CM_PER_FOOT / 100 if system == "us" else 1.0, 2
    return name[:1].upper() + name[1:], 1.0, 1


def _wider(a: Estimate, b: Estimate) -> Estimate:
    return b if math.isfinite(b.low) and b.high - b.low > a.high - a.low else a


def _share(e: Estimate) -> str:
    if not e.known:
        return "unknown"
    text = f"{100 * e.value:.0f} %"
    return f"{text}, {_ends(e)}" if math.isfinite(e.low) else text


def _ends(e: Estimate) -> str:
    return f"{100 * e.low:.0f} to {100 * e.high:.0f} %"


def _class_name(kind: str) -> str:
    return {"skip_1": "skip 1", "skip_2": "skip 2", "skip_3_or_more": "skip 3+"}.get(kind, kind)


def tape_nominal(photo_rows: Any, tape_rows: Any, given_cm: float | None) -> tuple[float, list[str]]:
    """Theoretical spacing for both: as given; else of the tape, then of the photos, estimates last. [cm], notes"""
    if given_cm is not None:
        return given_cm, []
    said = []
    for name, rows in (("tape", tape_rows), ("photo", photo_rows)):
        known = rows[rows["nominal_spacing_cm"].notna()]
        said += [
            (source == "estimated", name, float(value))
            for source, value in dict.fromkeys(zip(known["nominal_source"], known["nominal_spacing_cm"], strict=True))
        ]
    if not said:
        return math.nan, []
    _, name, value = min(said, key=lambda s: s[0])  # the first of equals
    notes = []
    others = [other for is_estimate, _, other in said if not is_estimate]
    if others and not np.allclose(others, value, rtol=0.01):
        notes.append(
            f"Theoretical spacings differ between the results; {value:.1f} cm of the {name} results serves for both."
        )
    return value, notes
