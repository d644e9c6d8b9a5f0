"""Scenes with exact truth."""
