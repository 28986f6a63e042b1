"""What was shot: a card sorted into series, and the verdict on a set before the tripod is folded."""
