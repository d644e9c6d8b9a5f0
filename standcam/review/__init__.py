"""Finds corrected by hand on a page in the browser; edits go into a file beside the results, see spacing/edits.py."""
