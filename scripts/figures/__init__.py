"""One file per figure; the listing of this folder is the list of figures.

A file says what its figure shows (docstring, TITLE, ALT), what it needs (NEEDS: result tables by
name) and draws it: `draw(results)` gives the figure and a table of the numbers that it draws.
"""
