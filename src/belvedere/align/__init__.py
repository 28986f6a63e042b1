"""Where every frame looked."""
