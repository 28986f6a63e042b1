"""The plate, who owns which part of it, and the picture drawn on it tile by tile."""
