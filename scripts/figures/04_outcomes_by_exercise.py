"""Participants are joined by lines across the conditions of an exercise; means are bars."""

from figures._panels import by_exercise, finding_by_exercise

TITLE = "Primary outcomes by exercise"
ALT = "Every participant by exercise and condition for each primary outcome of the sets."
NEEDS = ("outcomes",)


def draw(results):
    return by_exercise(results, results.primary)


def finding(numbers):
    return finding_by_exercise(numbers)
