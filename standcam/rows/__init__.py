"""Row lines on the ground."""
