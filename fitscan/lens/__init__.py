"""The camera: lens model, calibration from a board, and which photo belongs to which camera."""
