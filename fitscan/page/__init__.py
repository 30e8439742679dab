"""The page on the workshop's network: a phone sends photos, sees what is missing, reads results.

Everything it shows is worked out by the same functions that the command line calls.
"""
