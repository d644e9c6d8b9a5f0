"""Training of the stem locator's networks. Needs the extra ``train``; nothing else in the package imports it."""

CROP, WEED, UNSURE = 0, 1, 2
"""Classes of stems in samples; of an unsure one (a crop plant that hardly shows) neither yes nor no is asked."""
SAMPLE_CM = 0.25
"""Pixel of the samples: finer than at run time, for they are turned and stretched while training. [cm]"""
