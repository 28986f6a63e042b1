"""The verdict on a set before the tripod is folded: each thing that can go wrong, and the words for it."""
