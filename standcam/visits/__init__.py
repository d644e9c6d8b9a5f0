"""The same row section on several days: plants followed from visit to visit, and the curve of emergence."""
