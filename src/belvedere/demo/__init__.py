"""An invented place seen through a simulated camera, with the truth beside it."""
