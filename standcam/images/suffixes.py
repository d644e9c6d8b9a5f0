"""Endings of photo files; apart from the reader, so that listing a folder loads no decoder."""

SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif")
