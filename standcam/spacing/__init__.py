"""From positions to gaps and spacing numbers."""
