"""How bright every frame was, in linear light."""
