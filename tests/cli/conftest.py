"""Fixtures of the tests of commands."""

from fixtures.review import chromium, counted, lost, serve, served  # noqa: F401
