"""Shapes of the trade from surveys: tubes' straights, the car's axes."""
