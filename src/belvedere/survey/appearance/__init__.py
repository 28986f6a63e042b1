"""What one picture looks like by itself: a hand close to the lens, a lens cap, a chart, or a scene."""
