"""How well found plants agree with plants that are known. Imports no image code."""
