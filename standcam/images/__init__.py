"""Reading pictures."""
