"""Marked photos, tables and pages for people."""
