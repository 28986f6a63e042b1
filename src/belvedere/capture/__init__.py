"""Frames: what files hold, read once, never altered."""
