"""Tags in photos: a first look with OpenCV, then edges measured on the model.

Photos come from `fitscan.photos`; what the pixels mean in space is left to `fitscan.survey`.
"""
