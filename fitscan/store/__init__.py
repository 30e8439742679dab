"""Files that survive a crash: whole or absent, with a version, and refused with a sentence.

What the files mean is left to the layers above.
"""
