"""Primary outcomes by exercise and condition, a point for every participant."""

from figures._panels import by_exercise

TITLE = "Primary outcomes by exercise"
ALT = "Points of every participant by exercise and condition for each primary outcome of the sets."
NEEDS = ("outcomes",)


def draw(results):
    return by_exercise(results, results.primary)
