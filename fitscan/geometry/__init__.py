"""Rotations, rigid transforms, lines and alignments, without any knowledge of photos or cages.

What the numbers mean (which marker, which part) is left to the layers above.
"""
