"""From plant pixels to stems, crop or weed."""
