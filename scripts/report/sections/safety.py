"""Pressures, symptoms, and what to be careful of."""

from report.page import read_text_table, shown_table
from report.print_tables import CAPTIONS, PRESSURES

ORDER = 80

TITLE = "Pressures and safety"

NEEDS = ()


def section(results):
    table = read_text_table(results.path(f"tables/{PRESSURES}.tsv"))
    return {"cautions": CAUTIONS, "safety": shown_table(table, CAPTIONS[PRESSURES])}


CAUTIONS = (
    "Inflatable cuffs can injure. This software calculates and records; it does not prescribe, "
    "monitor or approve. Use cuffs only under an ethics approval, by people trained and licensed "
    "for this where you are; local rules take precedence over any number here.",
    "Pressure is valid only for the limb, side, posture, cuff width and day on which occlusion "
    "pressure was measured. A share is given only where all of these match.",
    "Stop and deflate at once when the participant asks, or at marked numbness, severe or unusual "
    "pain, a cold, white or blue limb, no distal pulse, faintness, chest pain or a failing cuff.",
)
