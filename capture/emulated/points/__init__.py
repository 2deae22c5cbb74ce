"""Points of light in front of a sensor, moved by a rig, for direction and range to be measured of.

``scene`` is what a rig's file asks for, ``stage`` where its lights are at any time, ``apertures``
what each aperture's pixels receive of points in space, ``exposing`` an exposure that sets itself,
and ``session`` the frame pairs of it all with their truth.
"""
