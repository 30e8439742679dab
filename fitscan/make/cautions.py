"""What every template and table for the next cut must say, in one place.

Where the sentences stand is left to the files and to the command line.
"""

from __future__ import annotations

__all__ = ["DRY_FIT_COPE", "DRY_FIT_OPENING", "DRY_FIT_PLATE", "FIT_ONLY", "TRIAL_BEND"]

FIT_ONLY = (
    "This measures fit only. It does not approve a design, a weld or a material: the rules of the "
    "sanctioning body, local law and a licensed or scrutineering person decide. Keep paper away "
    "from hot work and fuel."
)

DRY_FIT_COPE = (
    "Dry-fit before cutting: wrap the template, hold the tube to its place, and check angle, "
    "length and turn by hand."
)

TRIAL_BEND = (
    "Dry-fit before cutting: bend a trial piece of the same tube first, hold it to the side view "
    "and to its place, and check one length and one angle by hand. Radius and spring-back differ "
    "from tube to tube."
)

DRY_FIT_OPENING = (
    "Dry-fit before cutting: lay the template on the pointers' tips, measure two of the printed "
    "distances by hand, and look behind the panel for what must not be cut."
)

DRY_FIT_PLATE = (
    "Dry-fit before cutting: cut the plate from card first, fold it, and hold it to its place on "
    "bare metal."
)
