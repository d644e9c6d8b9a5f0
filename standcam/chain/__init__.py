"""Rows longer than a photo: overlapping photos of one row joined into one continuous row."""
