"""Photos as a phone wrote them: pixels in the sensor's orientation, and which camera took them.

What is in the picture is left to `fitscan.detect`; what the camera's lens does to it, to
`fitscan.lens`.
"""
