"""One file per window; the listing of this folder is the list of windows.

A file says what its window is (docstring), what a table of settings tells of it (SAYS), how a
sentence names it (WHERE), where it stands among the others (ORDER, as a visit goes), on which
events it stands and what is asked of it there (ASKED: kind of event, then the ASKED_OF of
outcomes), and how it is cut: `cut` names what it needs, the event, the events of its session or
settings of measure_outcomes, and gives the start and the end in seconds on the session clock and
why the window cannot be used, empty where it can.
Files with a leading underscore hold what several windows share.
"""
