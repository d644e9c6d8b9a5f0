"""What the stand is worth and what to do about it: no image code."""
