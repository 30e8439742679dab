"""A car's folder: where its photos, kit, camera, surveys, records and results lie, and whether all
of it is still as it was written.

Writing single files whole is left to `fitscan.store`, what they mean to the layers between.
"""
