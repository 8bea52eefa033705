"""Orders of conditions drawn before the first visit, balanced or random, and kept out of sight.

python3.11 scripts/launch.py open-order STUDY sub-01

opens the order of one person, notes when, and writes it into sessions.tsv and the session sheets.
The record keeps an order from being seen in passing and shows a change; it is no secret writing:
who wants to decode it, can.
"""

import base64
import csv
import hashlib
import random
import secrets
import sys
from datetime import datetime
from itertools import permutations
from pathlib import Path

from recordings.writing import write_rows
from study.problems import StudyError, did_you_mean
from study.table_changes import TableChanges

RECORD = "allocation.tsv"
COLUMNS = ("participant_id", "sealed", "sha256", "opened_at")
LETTERS = "ABCDEFGHIJ"
METHODS = ("balanced", "random")


def williams(n):
    """Orders of n conditions in which each follows each other equally often.

    n orders for an even n, 2n for an odd one, as letters. Source: Williams 1949, Aust J Sci Res A
    2:149-168.
    """
    zigzag = [0]
    for step in range(1, n):
        zigzag.append((zigzag[-1] + (step if step % 2 else -step)) % n)
    square = [[(position + row) % n for position in zigzag] for row in range(n)]
    if n % 2:
        square += [list(reversed(row)) for row in square]
    return ["".join(LETTERS[position] for position in row) for row in square]


def drawn_orders(participants, n_conditions, method, seed):
    """An order of letters for each person, drawn with a seed.

    `balanced`: Williams orders in blocks, each block shuffled, so that orders differ in number by
    one at most; `random`: each person's order by itself. The same seed gives the same orders.
    """
    rng = random.Random(seed)
    if method == "random":
        every = ["".join(order) for order in permutations(LETTERS[:n_conditions])]
        return {person: rng.choice(every) for person in participants}
    orders = []
    while len(orders) < len(participants):
        block = williams(n_conditions)
        rng.shuffle(block)
        orders += block
    return dict(zip(participants, orders, strict=False))


def sealed_record(orders):
    """Rows of the record, an order out of sight in each, with a checksum that shows a change."""
    for person, order in orders.items():
        text = f"{person} {order} {secrets.token_hex(8)}"
        yield {
            "participant_id": person,
            "sealed": base64.b64encode(text.encode()).decode(),
            "sha256": hashlib.sha256(text.encode()).hexdigest(),
            "opened_at": "n/a",
        }


def unsealed(row):
    """The order in a row of the record. Raises ValueError where the row was changed."""
    text = base64.b64decode(row["sealed"], validate=True).decode()
    person, order, _ = text.split(" ")
    changed = hashlib.sha256(text.encode()).hexdigest() != row["sha256"]
    if changed or person != row["participant_id"]:
        raise ValueError(f"the sealed order of {row['participant_id']} was changed")
    return order


def read_record(study):
    """Rows of the record of a study; none where no orders were drawn."""
    path = study / RECORD
    if not path.exists():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file, delimiter="\t"))


def write_record(study, record):
    """Write the record."""
    write_rows([COLUMNS, *([row[c] for c in COLUMNS] for row in record)], study / RECORD)


def opened_orders(study):
    """Orders that were opened, by participant."""
    return {
        row["participant_id"]: unsealed(row)
        for row in read_record(study)
        if row["opened_at"] != "n/a"
    }


def open_order(study, person, now):
    """Open the order of a person: the order, and when it was opened first.

    `now` is noted where nobody opened it before. Raises ValueError for a person without an order
    and for a record that was changed.
    """
    record = read_record(study)
    people = [row["participant_id"] for row in record]
    if person not in people:
        raise ValueError(f"{RECORD} holds no order of {person}{did_you_mean(person, people)}")
    row = record[people.index(person)]
    order = unsealed(row)
    if row["opened_at"] == "n/a":
        row["opened_at"] = now.isoformat(timespec="seconds")
        write_record(study, record)
    return order, row["opened_at"]


def main(words):
    """The command."""
    if len(words) != 2 or not Path(words[0]).is_dir():
        sys.exit(__doc__.strip())
    from study.session_forms import lines_of_written, write_sheets

    study, person = Path(words[0]), words[1]
    try:
        order, opened_at = open_order(study, person, datetime.now())
    except ValueError as fault:
        sys.exit(f"{study}: {fault}.")
    print(f"{person}: {order}, opened {opened_at}.")
    try:
        changes = TableChanges(study)
        changes.change_rows("sessions", {"participant_id": person}, {"sequence": order})
        changes.write()
    except StudyError as fault:
        print(f"{fault}; note the order there yourself, in column sequence.")
    print(*lines_of_written(*write_sheets(study, [person])), sep="\n")


if __name__ == "__main__":
    main(sys.argv[1:])
