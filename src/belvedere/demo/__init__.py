"""An invented place seen through a simulated camera, with the truth beside it.

`sets.render_set` writes one of the named sets; `render.render_frames` shoots a `spec.SetSpec` of one's own in
memory, `render.truth` tells its truth. `cards.write_card` writes one of the named camera cards: series,
marker frames and strays, as a photographer brings them home.
"""
