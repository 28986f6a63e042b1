"""A card sorted into series: what is decided, why, how it is written, and what the person says of it."""
