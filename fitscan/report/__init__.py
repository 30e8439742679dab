"""Results as people see them: pictures on photos, plots, tables.

What the numbers are is left to `fitscan.fit`.
"""
