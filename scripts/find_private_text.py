"""Stop where private text of the study stands in its results, with the place of each."""

import logging

from engine.step import Input, run
from results.private_text import places_of, private_texts
from results.words import counted
from study.problems import StudyError

MOST_TOLD = 10


def find_private_text(inputs: Input, *, study: str, results: str):
    texts = private_texts(study)
    places = [
        f"{file}, line {line}: {place}"
        for file, line, place in dict.fromkeys(places_of(texts, results))
        # the log of this very job says where it found what
        if not file.startswith("logs/write_manifest")
    ]
    if places:
        further = [f"and {len(places) - MOST_TOLD} more"] if len(places) > MOST_TOLD else []
        raise StudyError(
            f"Results hold {counted(len(places), 'private text')} of the study; take it out of "
            "what is told, or let it leave with privacy: free_text_leaves: true in study.yaml:\n  "
            + "\n  ".join([*places[:MOST_TOLD], *further])
        )
    logging.info("%s sought in the results: none found", counted(len(texts), "private text"))


if __name__ == "__main__":
    run(find_private_text)
