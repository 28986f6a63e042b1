"""Rotations, camera models, plates and their projections.

World: right-handed, x right, y down (gravity), z forward. Camera: x right, y down, z forward; R takes world
to camera. Pixel coordinates are those of the frame as displayed; the centre of the top-left pixel is (0, 0).
Angles are in radians; yaw is positive to the right, pitch positive up.
"""
