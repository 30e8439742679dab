"""The studio: renders the sample photos of the demo scenario with exactly known truth.

Development only: nothing here is imported by the tool, and nothing here imports the tool, so that
a mistake shared by both cannot hide. See README.md beside this file for the commands.
"""
