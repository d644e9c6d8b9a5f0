"""Many inputs in, one results folder out."""
