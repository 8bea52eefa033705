"""What a gap is, in the three senses that the word has here. Conventions.

A recorder's file lost samples where its clock jumps by more than LOST_SAMPLE_STEPS: half a step is
jitter, a whole one a sample. A straight line bridges a trace over at most BRIDGED_STEPS: one lost
reading does no harm to a mean, two do. A set does not begin or end where more than UNSEEN_S beyond
that is missing, because a limit so near cannot be told.
"""

LOST_SAMPLE_STEPS = 1.5

# jitter of stamps at high rates is no lost sample
LOST_SAMPLE_S = 0.05

BRIDGED_STEPS = 2.5
UNSEEN_S = 2.0
