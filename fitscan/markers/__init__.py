"""What the printed things are: the kit file, the tag family, and where ink lies on each marker.

Where markers are in space is found by `fitscan.survey`; how they are printed is in `sheets`.
"""
