"""What to be careful of wherever a cuff pressure is shown."""

# for the note of a table or the caption of a figure
CAUTION = (
    "Inflatable cuffs can injure. Pressures are recorded here, none is advised: a pressure is "
    "valid only for the limb, side, posture, cuff and day of its own measurement, and local rules "
    "and people licensed for this decide."
)

# below a panel
SHORT_CAUTION = (
    "Pressures as noted and recorded, none is advised: local rules and people licensed for this "
    "decide."
)

CAUTIONS = (
    "Inflatable cuffs can injure. This software calculates and records; it does not prescribe, "
    "monitor or approve. Use cuffs only under an ethics approval, by people trained and licensed "
    "for this where you are; local rules take precedence over any number here.",
    "Pressure is valid only for the limb, side, posture, cuff and day on which occlusion pressure "
    "was measured. A share is given only where all of these match.",
    "Stop and deflate at once when the participant asks, or at marked numbness, severe or unusual "
    "pain, a cold, white or blue limb, no distal pulse, faintness, chest pain or a failing cuff.",
)
