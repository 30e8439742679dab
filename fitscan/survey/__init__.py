"""From a shoot to a survey: start values, the adjustment of photos and markers, quality.

Comparing surveys is left to `fitscan.fit`.
"""
