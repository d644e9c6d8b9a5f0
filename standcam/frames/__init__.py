"""Raw frames of one flight, laid on each other on the ground, without a mosaic."""
