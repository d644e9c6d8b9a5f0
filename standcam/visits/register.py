"""Tables of visits."""

from __future__ import annotations

from standcam.tables import Column, Table

VISITS = Table(
    "visits",
    (
        Column("plot", "str", "", "plot"),
        Column("section", "int64", "", "row section of the plot, numbered in the order of the last visit's rows"),
        Column("plant", "int64", "", "number of the plant along its section, the same on all visits"),
        Column(
            "position_cm", "float64", "cm", "place along the section, from the beginning of what the fullest visit saw"
        ),
        Column(
            "not_before", "str", "", "last visit that looked and did not see it; empty: up at the first, or not known"
        ),
        Column("first_seen", "str", "", "visit that first shows it"),
        Column("last_seen", "str", "", "last visit that shows it"),
        Column("seen", "int64", "", "visits that show it"),
        Column("missed", "int64", "", "visits between first and last seen that do not show it: missed in the photo"),
        Column("absent", "int64", "", "visits after the last that looked and did not see it"),
        Column("lost", "bool", "", "seen on two visits or more, and then on two or more looks not"),
        Column("doubtful", "bool", "", "seen once and not again later: a false find, or lost at once; in no count"),
        Column("late", "str", "", "yes or no: came up late, by the middle of the time between visits; empty: not told"),
        Column("everywhere", "bool", "", "on the stretch that all visits cover; only such plants make the curve"),
        Column("photo", "str", "", "photo, or chain of photos, that last shows it"),
        Column("row", "int64", "", "row in it"),
        Column("number", "int64", "", "plant in it"),
    ),
)

EMERGENCE = Table(
    "emergence",
    (
        Column("plot", "str", "", "plot"),
        Column("sections", "int64", "", "row sections found again on two visits or more"),
        Column("row_length_cm", "float64", "cm", "length that all visits cover, over the sections"),
        Column("plants", "int64", "", "plants that came up on it, those lost included, doubtful ones not"),
        Column("t50_days", "float64", "days", "days to 50 % of these, by straight lines between visits"),
        Column(
            "t50_days_low", "float64", "days", "lower end of its interval: rows, or plants of one or two rows, as drawn"
        ),
        Column("t50_days_high", "float64", "days", "upper end"),
        Column(
            "t50_after_days", "float64", "days", "visit or planting before: 50 % were surely not up; missing: not known"
        ),
        Column("t50_by_days", "float64", "days", "visit by which 50 % were up"),
        Column("spread_days", "float64", "days", "days from 10 to 90 %, by straight lines"),
        Column("spread_days_least", "float64", "days", "the least that the visits allow"),
        Column("spread_days_most", "float64", "days", "the most that they allow; missing: no end to it"),
        Column("mean_days", "float64", "days", "mean emergence time, each plant at the visit that first shows it"),
        Column("days_since", "str", "", "planting, or first visit: what days are counted from"),
        Column("late_plants", "Int64", "", "plants that came up late, by the middle of the time between two visits"),
        Column("late_least", "Int64", "", "plants that did for sure"),
        Column("late_most", "Int64", "", "plants that may have"),
        Column("lost", "int64", "", "plants seen twice or more, and then on two or more looks not"),
        Column(
            "unseen_last",
            "int64",
            "",
            "plants seen twice or more and not on the last look: lost, or missed in the photo",
        ),
        Column("doubtful", "int64", "", "plants seen once and not again later"),
        Column("missed_pct", "float64", "%", "of looks at plants known to stand, those that did not show them"),
        Column(
            "empty_first", "float64", "", "seed places without a plant on the first visit, by theoretical intervals"
        ),
        Column("filled_later", "float64", "", "of these, places that a later visit shows filled: late, not missing"),
        Column(
            "empty_last", "float64", "", "seed places without a plant on the last visit: skipped, or seed that failed"
        ),
        Column("interval_source", "str", "", "rows or plants: what was drawn anew for the interval"),
    ),
)

DAYS = Table(
    "emergence_days",
    (
        Column("plot", "str", "", "plot"),
        Column("visit", "str", "", "date of the visit"),
        Column("days", "float64", "days", "since planting, or since the first visit"),
        Column("sections", "int64", "", "sections found on this visit"),
        Column("plants_seen", "int64", "", "plants that this visit shows, on the stretch that all visits cover"),
        Column("emerged_pct", "float64", "%", "up by then, of all that came up (Turnbull)"),
        Column("emerged_pct_low", "float64", "%", "lower end of its interval"),
        Column("emerged_pct_high", "float64", "%", "upper end"),
        Column("emergence_pct", "float64", "%", "up by then, of the seeds by theoretical spacing; missing without one"),
        Column("empty_places", "float64", "", "seed places without a plant, by theoretical intervals"),
    ),
)
