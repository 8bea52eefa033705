"""Pieces of one signal of a session joined on the session clock, as after a recorder restarted.

Of several leads or files that hold the same time one counts, and that is said: nothing that a study
declares goes unused in silence.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from recordings.clock import NOTHING
from recordings.session_clock import on_session_clock
from recordings.store import SessionStretch
from results.words import in_words
from study.problems import StudyError

# signals of which a session has one series; sensors of a muscle and cuffs are told apart by site
ONE_SERIES = ("ecg", "rr", "respiration")

# times are written to the millisecond or better
ROUNDING_S = 0.001

Span = tuple[float, float]


class Series(NamedTuple):
    """Stretches of all series of a person, why rows of recordings.tsv are not used, and the spans
    (s on the session clock) of the series that a row is part of; both by row number."""

    stretches: list[SessionStretch]
    unused: dict[int, str]
    spans: dict[int, list[Span]]


class _Piece(NamedTuple):
    row: object
    placed_by: str
    stretches: list[SessionStretch]

    @property
    def span(self) -> Span:
        return self.stretches[0].start_s, float(self.stretches[-1].time_s[-1])


def join_pieces(read: Iterable) -> Series:
    """Every recording of a person as series on the session clock; `read` as in `read_person`.

    Pieces of a series carry the file and channel of the first one. Raises StudyError where pieces
    overlap and no row says which of them keeps the part, where their place is not known, or where
    their units differ.
    """
    groups: dict[tuple, list[_Piece]] = {}
    for timed in read:
        row = timed.row
        stretches = list(on_session_clock(*timed))
        if stretches:
            key = (row.session_id, row.signal, row.site, row.side, row.position, row.limb)
            piece = _Piece(row, timed.clock.placed_by, stretches)
            groups.setdefault(key, []).append(piece)
    stretches, unused, spans, faults = [], {}, {}, []
    with_ecg = {session for session, signal, *_ in groups if signal == "ecg"}
    hearts = {
        session: pieces
        for wanted in ("rr", "ecg")
        for (session, signal, *_), pieces in groups.items()
        if signal == wanted
    }
    for (session, signal, *_), pieces in groups.items():
        for number, chain in enumerate(_chains(pieces)):
            reason = _why_unused(signal, number, session in with_ecg)
            if signal == "respiration" and _cannot_be_laid_beside(chain, hearts.get(session, [])):
                reason = "nothing says when it or the heart recording began: breaths cannot be "
                reason += "laid beside beats, and breathing is taken from the beats"
            if reason:
                unused |= {piece.row.row_number: reason for piece in chain}
                continue
            fault = _fault(chain)
            if fault:
                faults.append(fault)
                continue
            kept = _without_overlaps(chain)
            unused |= {
                before.row.row_number: "another row of the same signal holds all of its time and "
                "is kept (overlap in recordings.tsv)"
                for before, after in zip(chain, kept, strict=True)
                if not after.stretches
            }
            kept = sorted((p for p in kept if p.stretches), key=lambda piece: piece.span[0])
            spans |= {piece.row.row_number: [p.span for p in kept] for piece in chain}
            stretches += _as_one(chain[0], kept)
    if faults:
        raise StudyError("\n".join(faults))
    return Series(stretches, unused, spans)


def _chains(pieces: list[_Piece]) -> list[list[_Piece]]:
    """Pieces that follow each other; channels of one file stand beside each other."""
    files = [piece.row.file for piece in pieces]
    first = pieces[0].row
    if first.signal not in ONE_SERIES and first.site is None and first.limb is None:
        # sensors that nothing tells apart stay apart wherever they cannot be pieces of one
        placed = all(piece.placed_by != NOTHING for piece in pieces)
        if not placed or _overlapping(pieces):
            return [[piece] for piece in pieces]
    if len(set(files)) == len(files):
        return [pieces]
    of_channel: dict[str | None, list[_Piece]] = {}
    for piece in pieces:
        of_channel.setdefault(piece.row.channel, []).append(piece)
    return list(of_channel.values())


def _why_unused(signal: str, number: int, with_ecg: bool) -> str:
    if signal == "rr" and with_ecg:
        return "the session has an ECG, in which beats are found"
    if signal in ONE_SERIES and number:
        return "the first channel that recordings.tsv names of this signal is used"
    return ""


def _cannot_be_laid_beside(chain: list[_Piece], heart: list[_Piece]) -> bool:
    """Whether recordings of different files share no clock."""
    files = [{piece.row.file for piece in pieces} for pieces in (chain, heart)]
    unknown = any(piece.placed_by == NOTHING for piece in [*chain, *heart])
    return bool(heart) and unknown and not files[0] & files[1]


def _fault(chain: list[_Piece]) -> str:
    """Why pieces cannot be joined, in words; empty where they can."""
    if len(chain) == 1:
        return ""
    first = chain[0].row
    row_numbers = in_words([str(piece.row.row_number) for piece in chain])
    where = f"recordings.tsv, rows {row_numbers}: "
    named = f"{first.signal} of {first.participant_id} {first.session_id}"
    lost = [str(piece.row.row_number) for piece in chain if piece.placed_by == NOTHING]
    if lost:
        return (
            f"{where}{len(chain)} files of {named}, but nothing says when "
            f"{'that of row' if len(lost) == 1 else 'those of rows'} {in_words(lost)} began; fill "
            "in clock_offset_s or sync_marks_s, or session_start where the files hold clock times; "
            "different sensors need different site, side or position"
        )
    units = {piece.stretches[0].unit for piece in chain}
    if len(units) > 1:
        return f"{where}{named} in {in_words(sorted(units))}; allowed: pieces in one unit"
    for earlier, later in _overlapping(chain):
        if _precedence(earlier) == _precedence(later):
            numbers = f"{earlier.row.row_number} and {later.row.row_number}"
            until_s = min(earlier.span[1], later.span[1])
            return (
                f"{where}{named}: the files of rows {numbers} overlap from {later.span[0]:.1f} to "
                f"{until_s:.1f} s on the session clock; write keep in column overlap of the row "
                "whose part is used, or take out a row; different sensors need different site, "
                "side or position"
            )
    return ""


def _precedence(piece: _Piece) -> int:
    return {"keep": 1, None: 0, "yield": -1}[piece.row.overlap]


def _overlapping(chain: list[_Piece]) -> list[tuple[_Piece, _Piece]]:
    """Pairs of pieces that hold the same time for longer than a sample, the earlier one first."""
    in_order = sorted(chain, key=lambda piece: piece.span)
    return [
        (earlier, later)
        for number, earlier in enumerate(in_order)
        for later in in_order[number + 1 :]
        if earlier.span[1] - later.span[0] > max(_step_s(earlier), _step_s(later))
    ]


def _step_s(piece: _Piece) -> float:
    return max(ROUNDING_S, *(s.step_s or 0.0 for s in piece.stretches))


def _without_overlaps(chain: list[_Piece]) -> list[_Piece]:
    """Pieces with what others hold of their time taken out, in the same order."""
    ranked = sorted(chain, key=lambda piece: (-_precedence(piece), piece.span))
    held: list[Span] = []
    kept = {}
    for piece in ranked:
        stretches = [part for s in piece.stretches for part in _outside(s, held)]
        kept[piece.row.row_number] = piece._replace(stretches=stretches)
        held.append(piece.span)
    return [kept[piece.row.row_number] for piece in chain]


def _outside(stretch: SessionStretch, held: list[Span]) -> list[SessionStretch]:
    """Parts of a stretch that lie in no span."""
    inside = np.zeros(len(stretch.time_s), dtype=bool)
    for start_s, end_s in held:
        inside |= (stretch.time_s >= start_s) & (stretch.time_s <= end_s)
    if not inside.any():
        return [stretch]
    edges = np.flatnonzero(np.diff(np.concatenate(([True], inside, [True])).astype(int)))
    return [
        replace(
            stretch,
            start_s=float(stretch.time_s[first]),
            time_s=stretch.time_s[first:stop],
            value=_begun(stretch, first)[first:stop],
        )
        for first, stop in zip(edges[::2], edges[1::2], strict=True)
        # a beat without an interval is no part
        if stop - first > 1 or stretch.signal != "rr"
    ]


def _begun(stretch: SessionStretch, first: int) -> np.ndarray:
    """Values of a part; the first beat of intervals begins one and ends none."""
    if stretch.signal != "rr" or first == 0:
        return stretch.value
    intervals = stretch.value.copy()
    intervals[first] = np.nan
    return intervals


def _as_one(named: _Piece, kept: list[_Piece]) -> list[SessionStretch]:
    parts = [part for piece in kept for part in piece.stretches]
    first = named.stretches[0]
    return [
        replace(part, file=first.file, channel=first.channel, number=number)
        for number, part in enumerate(parts)
    ]
