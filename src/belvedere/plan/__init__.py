"""The shoot plan: from the view or print wanted to every stop of the head, and when the light is right."""
