"""Blind reviews: what was frozen stands in edits.tsv as it was frozen."""

import hashlib


def check_reviews_are_as_frozen(study, problems):
    """The decisions of a blind review have their checksum and all stand in edits.tsv."""
    for row in study.tables["reviews"]:
        where = ("reviews.tsv", f"row {row.row_number}")
        path = study.folder / f"blind_decisions_seed-{row.seed}_frozen.tsv"
        content = path.read_bytes() if path.is_file() else b""
        if hashlib.sha256(content).hexdigest() != row.decisions_sha256.lower():
            problems.add(
                *where,
                f"{path.name} is not as it was frozen; put the frozen file back, or take the row "
                "out and do not call the review blind",
            )
        standing = [e for e in study.tables["edits"] if e.edit_id.startswith(f"{row.review_id}-")]
        if len(standing) != row.decisions:
            problems.add(
                *where,
                f"{len(standing)} decisions of {row.review_id} stand in edits.tsv, "
                f"{row.decisions} were frozen; rows of edits.tsv are only ever added",
            )
