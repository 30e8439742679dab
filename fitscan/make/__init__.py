"""Templates and tables for the next cut: copes, bends.

Where the numbers come from is left to `fitscan.fit` and below; pictures to `fitscan.report`.
"""
