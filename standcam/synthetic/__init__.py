"""Synthetic emergence photos with exact truth, for tests and demonstration."""
