"""Drone strips: many rows of one mosaic or flight, cut by plots."""
