"""Tables that a trial writes."""

from __future__ import annotations

from standcam.tables import Column, Table

TRIAL = Table(
    "trial",
    (
        Column("plot", "str", "", "plot of the trial: the piece of field that got a treatment by itself"),
        Column("treatment", "str", "", "treatment"),
        Column("block", "str", "", "block; empty where there are none"),
        Column("dose", "float64", "", "value of the column named as dose"),
        Column("rows", "int64", "", "measured rows in it; samples of the plot, not replicates"),
        Column("row_length_cm", "float64", "cm", "sum over rows"),
        Column("plants", "int64", "", "crop plants"),
        Column("gaps", "int64", "", "gaps between neighbours"),
        Column("doubles", "int64", "", "gaps classed as doubles"),
        Column("singles", "int64", "", "gaps classed as singles"),
        Column("skips", "int64", "", "gaps classed as skips"),
        Column("mean_gap_cm", "float64", "cm", "over all gaps of the plot"),
        Column("sd_gap_cm", "float64", "cm", "over all gaps of the plot"),
        Column("cv_pct", "float64", "%", "100 sd / mean"),
        Column("multiples_pct", "float64", "%", "share of spacings up to 0.5 of theoretical (doubles)"),
        Column("quality_of_feed_pct", "float64", "%", "share above 0.5 up to 1.5 (singles)"),
        Column("misses_pct", "float64", "%", "share above 1.5 (skips)"),
        Column("precision_pct", "float64", "%", "100 sd of the singles / theoretical spacing"),
        Column("plants_per_ha", "float64", "1/ha", "from summed plants and summed area"),
        Column("emergence_pct", "float64", "%", "plants per ha of seeds per ha; empty without a seeding rate"),
        Column("yield_kg_ha", "float64", "kg/ha", "from the harvest file; empty without one"),
    ),
)

MEANS = Table(
    "means",
    (
        Column("measure", "str", "", "column of trial.csv"),
        Column("treatment", "str", "", "treatment"),
        Column("dose", "float64", "", "its dose, if one was named"),
        Column("plots", "int64", "", "plots with this measure"),
        Column("mean", "float64", "", "mean of the plots, in the unit of the measure"),
        Column("sd", "float64", "", "sample SD of the plots, block differences included"),
        Column("fitted", "float64", "", "mean by the model, averaged over blocks"),
        Column("low", "float64", "", "lower end of the interval of the fitted mean"),
        Column("high", "float64", "", "upper end"),
    ),
)

COMPARISONS = Table(
    "comparisons",
    (
        Column("measure", "str", "", "column of trial.csv; each measure is a family of its own"),
        Column("treatment", "str", "", "treatment"),
        Column("against", "str", "", "treatment it is compared with"),
        Column("difference", "float64", "", "treatment less the other, in the unit of the measure (% : points)"),
        Column("low", "float64", "", "lower end of its interval, valid for the whole family"),
        Column("high", "float64", "", "upper end"),
        Column("level", "float64", "1", "confidence of the family of intervals"),
        Column("difference_pct", "float64", "%", "difference in percent of the mean of all plots"),
        Column("low_pct", "float64", "%", "lower end"),
        Column("high_pct", "float64", "%", "upper end"),
        Column("p_value", "float64", "1", "two-sided, adjusted for the family"),
        Column("method", "str", "", "Tukey, Dunnett, or one pair"),
        Column("df", "float64", "1", "degrees of freedom for error"),
        Column("plots_needed", "Int64", "", "plots of each treatment that would find this difference, were it true"),
        Column("model", "str", "", "what was fitted"),
    ),
)

TRENDS = Table(
    "trends",
    (
        Column("measure", "str", "", "column of trial.csv"),
        Column("dose", "str", "", "column of the plot map"),
        Column("slope", "float64", "", "change of the measure with a unit of the dose, at the mean dose"),
        Column("low", "float64", "", "lower end of its interval"),
        Column("high", "float64", "", "upper end"),
        Column("p_value", "float64", "1", "of the straight line"),
        Column("misfit_p_value", "float64", "1", "of lack of fit: small where a straight line does not do"),
        Column("curve_p_value", "float64", "1", "of a square term"),
        Column("curved", "bool", "", "whether the data ask for a curve and support it"),
    ),
)
