"""Stop where private text of the study stands in its results, with the place of each."""

import logging

from engine.step import Input, run
from results.private_text import refuse_private
from results.words import counted


def find_private_text(inputs: Input, *, study: str, results: str):
    sought = refuse_private(
        study,
        results,
        "Results hold {count} of the study; take it out of what is told, or let free text leave "
        "with privacy: free_text_leaves: true in study.yaml:",
        # the log of this very job says where it found what
        skipped="logs/write_manifest",
    )
    logging.info("%s sought in the results: none found", counted(sought, "private text"))


if __name__ == "__main__":
    run(find_private_text)
