"""Surveys: a folder of photos, what a user sets for them, and which plot each belongs to.

``template`` writes survey.toml, ``plot_list`` reads and writes plots.csv, ``names``, ``times``, ``areas`` and ``marks``
are the ways in which a photo can tell its plot, ``facts`` reads what the camera noted, and ``tie`` puts all of it
together and lists what does not fit. ``use`` brings it into a count.
"""
