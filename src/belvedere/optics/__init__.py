"""Lenses, sensors, light and print arithmetic: plain numbers in, plain numbers out."""
