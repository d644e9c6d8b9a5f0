"""What the planter did, from gaps along rows: no image code."""
