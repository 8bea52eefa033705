"""Sections of the report, one a file, in the order of their ORDER.

A file says where its section stands (ORDER), what it is called (TITLE), which result tables it
reads (NEEDS), and what it says: `section(results)` gives the values of its template,
workflow/templates/report/<name>.html.jinja, or None where it has nothing to say of the study: it is
then absent from the page.
"""
