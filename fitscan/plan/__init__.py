"""Which photos to take: before a shoot, and after a survey that is not yet good enough.

Measuring is left to `fitscan.survey`, comparing to `fitscan.fit`, drawing to `fitscan.report`.
"""
