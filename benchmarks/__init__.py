"""Measurements of what Belvedere promises; see docs/benchmarks.md."""
