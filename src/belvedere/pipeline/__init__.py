"""What depends on what, where it is kept, and who runs it. Knows no pixels."""
