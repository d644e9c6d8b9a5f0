"""Tables that ``standcam agree`` writes: rows, plants, classes of gaps and limits of agreement."""

from __future__ import annotations

from standcam.spacing import metrics
from standcam.tables import Column, Table

_KEYS = (
    Column("photo", "str", "", "file name of the photo"),
    Column("plot", "str", "", "plot of the photo"),
    Column("row", "int64", "", "row of the photo"),
    Column("tape_photo", "str", "", "file name of the tape"),
    Column("tape_plot", "str", "", "plot of the tape"),
    Column("tape_row", "int64", "", "row of the tape"),
)

AGREE = Table(
    "agree",
    (
        *_KEYS,
        Column("status", "str", "", "ok; ambiguous, no_fit, too_few, not_measured: not compared"),
        Column("reason", "str", "", "how sure the place of the photo on the tape is, in words"),
        Column("offset_cm", "float64", "cm", "where the photo's zero lies on the tape"),
        Column("reversed", "bool", "", "the tape was read against the direction of the photo"),
        Column("scale_pct", "float64", "%", "what the photo reads too much in lengths; below zero: short"),
        Column("scale_low_pct", "float64", "%", "lower end of its interval"),
        Column("scale_high_pct", "float64", "%", "upper end"),
        Column("log10_odds", "float64", "1", "how much likelier this place is than all others, power of ten"),
        Column("common_from_cm", "float64", "cm", "begin of the stretch counted on, on the tape"),
        Column("common_to_cm", "float64", "cm", "its end"),
        Column("tape_plants", "int64", "", "plants of the tape on it"),
        Column("photo_plants", "int64", "", "plants of the photo on it"),
        Column("hit", "int64", "", "plants of the tape that the photo has"),
        Column("missed", "int64", "", "plants of the tape that the photo lacks"),
        Column("extra", "int64", "", "plants of the photo that the tape lacks"),
        Column("mean_error_cm", "float64", "cm", "mean absolute distance of paired plants, offset and scale taken out"),
        Column("rms_error_cm", "float64", "cm", "root mean square of it, divisor pairs - 2"),
        Column("p95_error_cm", "float64", "cm", "95 % of paired plants lie nearer than this"),
        Column("claimed_error_cm", "float64", "cm", "root mean square of position_sd_cm of the paired plants"),
        Column("chance_hit", "float64", "1", "share of the stretch where a find placed blindly would pair"),
        Column("tape_mean_gap_cm", "float64", "cm", "mean gap on the stretch, by tape"),
        Column("photo_mean_gap_cm", "float64", "cm", "by photo"),
        Column("tape_sd_gap_cm", "float64", "cm", "standard deviation of gaps, by tape"),
        Column("photo_sd_gap_cm", "float64", "cm", "by photo"),
        Column("tape_cv_pct", "float64", "%", "coefficient of variation of gaps, by tape"),
        Column("photo_cv_pct", "float64", "%", "by photo"),
    ),
)

PAIRS = Table(
    "pairs",
    (
        *_KEYS,
        Column("kind", "str", "", "paired, missed, extra; at_edge: too near an end to be judged; beyond"),
        Column("plant", "Int64", "", "number of the plant in the photo"),
        Column("tape_plant", "Int64", "", "number of the plant on the tape"),
        Column("photo_cm", "float64", "cm", "position in the photo"),
        Column("tape_cm", "float64", "cm", "position on the tape"),
        Column("photo_on_tape_cm", "float64", "cm", "position in the photo, laid on the tape"),
        Column("error_cm", "float64", "cm", "photo_on_tape_cm - tape_cm"),
    ),
)

CLASSES = Table(
    "classes",
    (
        Column("tape", "str", "", "class of the gap by tape; none: no such gap there"),
        *(Column(name, "int64", "", f"gaps that are {name} by photo") for name in metrics.KINDS),
        Column("none", "int64", "", "gaps that the photo lacks: a plant missed or added at them"),
    ),
)

LIMITS = Table(
    "limits",
    (
        Column("quantity", "str", "", "what was measured twice, with its unit"),
        Column("of", "str", "", "rows, or gaps paired one by one"),
        Column("n", "int64", "", "pairs of measurements"),
        Column("tape_mean", "float64", "1", "mean by tape, in the quantity's unit"),
        Column("bias", "float64", "1", "mean of photo - tape"),
        Column("bias_low", "float64", "1", "lower end of its t interval"),
        Column("bias_high", "float64", "1", "upper end"),
        Column("sd", "float64", "1", "standard deviation of photo - tape"),
        Column("limit_low", "float64", "1", "bias - multiplier sd"),
        Column("limit_low_from", "float64", "1", "lower end of its interval"),
        Column("limit_low_to", "float64", "1", "upper end"),
        Column("limit_high", "float64", "1", "bias + multiplier sd"),
        Column("limit_high_from", "float64", "1", "lower end of its interval"),
        Column("limit_high_to", "float64", "1", "upper end"),
        Column("multiplier", "float64", "1", "standard deviations from bias to limit"),
        Column("concordance", "float64", "1", "Lin's concordance correlation coefficient, divisor n"),
        Column("concordance_low", "float64", "1", "lower end of its interval"),
        Column("concordance_high", "float64", "1", "upper end"),
    ),
)
