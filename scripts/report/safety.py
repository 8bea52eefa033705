"""Safety findings in short: what a person must look at before any result."""

from results.words import counted, words_of

NOTHING = ("none", "none noted")


def safety_findings(safety):
    """One sentence for each kind of finding, with where it stands; first of all the findings.

    safety : rows of safety.tsv
    """
    sentences = []
    for column, name in (("findings", ""), ("symptoms", "Noted: ")):
        told = safety[safety[column].notna() & ~safety[column].isin(NOTHING)]
        for text, own in told.groupby(column, sort=False):
            places = list(
                dict.fromkeys(
                    f"{p} {s}"
                    for p, s in zip(own["participant_id"], own["session_id"], strict=True)
                )
            )
            shown = ", ".join(places[:4])
            more = f" and {len(places) - 4} more" if len(places) > 4 else ""
            sentences.append(f"{name}{words_of(text)} ({shown}{more})")
    stopped = int(safety["stopped_early"].fillna(0).sum())
    if stopped:
        sentences.append(f"{counted(stopped, 'set was', 'sets were')} stopped early")
    return sentences
