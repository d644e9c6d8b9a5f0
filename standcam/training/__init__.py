"""Training of the stem locator's networks. Needs the extra ``train``; nothing else in the package imports it."""

CROP, WEED, UNSURE, UNSEEN = 0, 1, 2, -1
"""Classes of stems in samples. Of an unsure one (a crop plant that hardly shows) neither yes nor no is asked; an unseen
one (a weed that does not show) teaches nothing."""
SAMPLE_CM = 0.09
"""Pixel of the samples: finer than at run time, for they are turned and stretched while training. [cm]"""
STRIP_SAMPLE_CM = 0.16
"""Pixel of the samples for strips: finer than the finest strip, for they are reduced to any resolution while training.
[cm]"""
COLOURS = 3
