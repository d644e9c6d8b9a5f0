"""Training of the stem locator's networks. Needs the extra ``train``; nothing else in the package imports it."""
