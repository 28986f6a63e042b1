"""Belvedere: one very large, very clean picture from a camera turned on a tripod."""

__version__ = "0.1.0"
