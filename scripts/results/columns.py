"""The tables of results/<study>/: every table and column once, with type, meaning and unit.

`write` and `read` in results/tables.py take order, type and digits from here, and the page
results/README.md is made of it. A table is a text: what a row of it is, then a line that begins
with `- ` for each column. `(number)` behind the name of a column says that it holds numbers,
`(time)` that it holds times; others hold text. `<participant>` stands for every participant,
`<outcome>` for every outcome that the study gave.
"""

import re
from typing import NamedTuple


class Number(str):
    """Meaning of a column of numbers, written with six significant digits."""


class SessionTime(Number):
    """Meaning of a column of times on the session clock, written to the microsecond."""


class ResultTable(NamedTuple):
    """What a row of a result table is, and what each column means.

    `file` is the path inside the results of a study, where it is not the name of the table with
    .tsv behind it.
    """

    row: str
    columns: dict[str, str]
    file: str = ""


KINDS = {"": str, "(number)": Number, "(time)": SessionTime}


def table(text: str) -> ResultTable:
    """A declared table from its text. Raises ValueError for a line that is no column."""
    row, *listed = re.split(r"\n\s*- ", text)
    columns = {}
    for column in listed:
        head, colon, meaning = column.partition(": ")
        name, _, kind = head.partition(" ")
        if not colon or kind not in KINDS or name in columns:
            raise ValueError(f"no column, an unknown type of one, or one twice: {column!r}")
        columns[name] = KINDS[kind](" ".join(meaning.split()))
    return ResultTable(" ".join(row.split()), columns)


SESSION_CLOCK = "s on the session clock"

SCALE = (
    "`identity`: differences; `ratio`: ratios, from natural logarithms given back; `ordinal`: "
    "differences of relative effects, from ranks over all values (Brunner, Domhof and Langer 2002)"
)

ON_SCALE = (
    "on the scale of the analysis: of natural logarithms for outcomes of scale `ratio`, of "
    "relative effects for `ordinal`"
)

CONTRAST = "`A - B`: condition A minus condition B, on a ratio scale A over B"

CI = "at the level `confidence`"

VISIT = """
- participant_id: participant
- session_id: session, as in sessions.tsv
"""

EVENT_ID = """
- event_id: the event: as given in events.tsv, else made from its kind and its order in the session;
  a label of its own within the session
"""

OF_EVENT = """
- exercise: exercise of the event, n/a where it has none
- condition: condition of the event; a baseline, rest or recovery without one has that of the
  session's sets where they share one
- bout (number): number of the set within its exercise
"""

EVENT = f"""
{VISIT}
- visit (number): number of the visit in the order done
{EVENT_ID}
- event_onset_s (time): onset of the event that the window belongs to, {SESSION_CLOCK}; n/a for a
  set without time
- trial_type: kind of event: `baseline`, `set`, `rest`, `recovery`
{OF_EVENT}
"""

SENSOR = """
- session_id: session, as in sessions.tsv
- signal: what was recorded, as in recordings.tsv
- file: file inside the study folder
- channel: channel in the file
- site: muscle under the sensor
- side: `left`, `right` or `both`
- position: where the sensor lies, seen from the cuff: `distal`, `proximal`
"""

COMPARED = """
- outcome: what is compared, see Windows and outcomes in config/SETTINGS.md
- window: window in which it is compared
"""

TABLES = {
    "outcomes": table(f"""
        A value that was asked for: one outcome in one window of one event.
        {EVENT}
        - window: window of the value, see Windows and outcomes in config/SETTINGS.md
        - outcome: name of the outcome
        - value (number): the value in its unit; n/a where it is refused or missing
        - unit: unit of the value, n/a where it has none; `% s` is percent times seconds
        - status: `ok`; `flagged`: given, to be read with care; `refused`: cannot be measured
          honestly here; `missing`: what it needs was not recorded or noted
        - reason: why the value is not `ok`, or what is to be known of it
        - se (number): standard error of the value in its unit, where its method gives one: of
          saturation from the scatter of readings about the course and the slow variation seen in
          the baseline, which one shorter than 90 s may hide; of variability and powers that of the
          process, not of the recording
        - ci_low (number): lower end of the value's own 95 % interval, where its method gives one
        - ci_high (number): upper end of that interval
        """),
    "outcomes_wide": table(f"""
        A window of an event, a column per outcome.
        {EVENT}
        - window: window of the values
        - <outcome> (number): value of the outcome of this name in its unit, n/a where it was not
          asked, refused or missing; which columns there are depends on the study
        """),
    "contrasts": table(f"""
        A contrast between two conditions, for one outcome in one window: differences within people
        and exercises, the visit taken into account where its order varied, with an error clustered
        by person (CR2, Bell and McCaffrey 2002; Pustejovsky and Tipton 2018). sd_of_differences and
        sign_flip_p come from the participants' own differences, on the scale of the analysis. Other
        analyses of the primary outcomes are in sensitivity.tsv.
        {COMPARED}
        - exercise: `all`: over the exercises, each with equal weight; else the one exercise
        - contrast: {CONTRAST}
        - scale: {SCALE}
        - n_participants (number): participants with a value in any condition and exercise
        - n_rows (number): values of the outcome in the window that entered, before bouts are
          averaged
        - estimate (number): estimated difference in the unit of the outcome, or ratio
        - se (number): its standard error, {ON_SCALE}
        - df (number): degrees of freedom of that error (Pustejovsky and Tipton 2018)
        - ci_low (number): lower end of the interval at the level of `confidence` of the row
        - ci_high (number): upper end of that interval
        - t (number): estimate over its standard error, on the scale of the analysis
        - p (number): two-sided p-value, not adjusted; n/a with fewer pairs than are tested
        - p_adjusted (number): primary outcomes: over the contrasts `all` by Shaffer's steps
          (Shaffer 1986), within exercises by Holm's (Holm 1979); n/a for other outcomes
        - method: `within person, CR2`, with `visit` and `own baseline` where these entered; with
          `description only` nothing is tested; `none`: no contrast
        - note: what a reader must know: how it was adjusted, what could not be computed
        - primary: `yes` for an outcome of `primary_outcomes`: only these are adjusted and may carry
          a claim; else `no`
        - reading: the interval against smallest_effect: `different`, `equivalent`, `inconclusive`
          (Lakens, Scheel and Isager 2018; Schuirmann 1987), `not shown` (interval without zero and
          no claim), `not tested` (no p); `secondary, no claim`; n/a without a smallest effect
        - evidence: what a contrast of a heart outcome may be called evidence of: `none`, `vagal`,
          `beyond vagal` (Billman 2013; Jose and Collison 1970); n/a for others
        - claim: whether the difference is shown: `yes`, `no` (primary outcomes, `all`: by
          p_adjusted, or as a part of a planned claim); `not tested`; `described`: fewer pairs than
          are tested
        - confidence (number): level of the interval, at which it leaves out zero exactly where
          claim is `yes`
        - flagged_pct (number): values of the outcome in the two conditions that are flagged, % of
          those asked
        - withheld_pct (number): values refused or missing there, % of those asked
        - sign_flip_p (number): two-sided p-value of the differences by flipping signs (Fisher 1935)
        - sign_flip_minimum (number): smallest p that flipping signs can give with so many pairs
        - sd_of_differences (number): standard deviation of the participants' differences,
          {ON_SCALE}
        - n_pairs (number): participants with values in both conditions
        - smallest_effect (number): smallest effect of interest as set, in the unit of the outcome,
          or a ratio
        - leave_out_low (number): primary outcomes, exercise `all`: smallest estimate when one
          participant is left out, unit as estimate
        - leave_out_high (number): largest such estimate
        - leave_out_most: participant without whom the estimate moves most
        """),
    "claims": table("""
        A claim that was planned, judged over all exercises.
        - claim: what is claimed: one condition differs from all others (each difference at the full
          level; Berger 1982), or every difference between conditions (Shaffer 1986)
        - outcome: outcome of the claim
        - window: window of the values
        - verdict: `shown`, `not shown`, `not tested` (see note), `described` (fewer pairs than are
          tested)
        - parts: every difference of the claim: estimate in the unit of the outcome or as a ratio,
          and the interval that agrees with the verdict
        - p (number): p-value of the claim alone: the largest of its parts
        - p_adjusted (number): the same over all claims, by Holm's steps (Holm 1979) or in the
          declared order
        - n_pairs (number): participants with both conditions, in the part that has fewest
        - note: why a claim was not tested
        - plan: `as planned`, what differs from the frozen plan, or `nothing was frozen`
        """),
    "joint_tests": table(f"""
        A test that conditions do not differ, or differ alike in every exercise, from the
        differences within people of contrasts.tsv. The sum of the squared contrasts over the sum of
        their variances, with the degrees of freedom of Box 1954, corrected for few people as by
        Huynh and Feldt 1976.
        {COMPARED}
        - term: `condition`: no difference between conditions over the exercises; `condition by
          exercise`: differences alike in all exercises
        - exercises: exercises that entered; n/a where the outcome belongs to none
        - n_participants (number): participants with all conditions in all these exercises
        - F (number): the statistic, {ON_SCALE}
        - df_num (number): degrees of freedom of the numerator, times epsilon
        - df (number): degrees of freedom of the denominator, times epsilon
        - epsilon (number): 1 where the errors of all contrasts are equal and unrelated, less where
          not
        - p (number): its p-value, not adjusted
        - method: as in contrasts.tsv
        - note: exercises left out, or why nothing was tested
        - primary: `yes` for a primary outcome, else `no`
        """),
    "crossover": table(f"""
        A line of what a report of a crossover study shows beside its contrasts (Dwan et al. 2019).
        None of it chooses the analysis.
        {COMPARED}
        - part: `sequence and visit`: mean and SD over people; `first visit alone`: conditions
          between the people who had them first (Welch 1947); `visit`: steps from the first visit;
          `condition of the visit before`: what follows one condition against what follows another,
          the visit taken into account; `days since the visit before`
        - sequence: order allotted, A the first condition of the study; the order done where none
          was allotted
        - visit (number): number of the visit in the order done
        - condition: condition of the visit
        - contrast: `A - B`: condition, visit, or condition of the visit before; n/a for the test of
          all steps together
        - scale: {SCALE}
        - n_participants (number): participants that entered
        - mean (number): mean over participants, of each the mean of the exercises, in the unit of
          the outcome; days
        - sd (number): standard deviation over participants, in the same unit
        - lowest (number): fewest days
        - highest (number): most days
        - estimate (number): difference in the unit of the outcome, or ratio
        - se (number): its standard error, {ON_SCALE}
        - df (number): its degrees of freedom; of F those of the denominator
        - ci_low (number): lower end of its interval, at the level of the setting `confidence`
        - ci_high (number): upper end of that interval
        - F (number): test that all steps are zero, as in joint_tests.tsv
        - df_num (number): degrees of freedom of its numerator
        - p (number): two-sided p-value, not adjusted
        - detectable (number): true difference, or ratio above 1, that the setting `power` would
          find with this error
        - note: what a reader must know, or why nothing was computed
        """),
    "models": table(f"""
        A line of a model: a coefficient, an estimated mean, an F test, a variance component, or a
        fact of the fit. Nothing is given back as a ratio.
        {COMPARED}
        - formula: the model: y ~ fixed terms + (1 | random terms); n/a where none was fitted
        - method: `mixed model, Kenward-Roger` (Kenward and Roger 1997); `REML`: variances and facts
          of the fit
        - term: coefficient, `mean of ...` (visits and exercises weigh equally; Searle, Speed and
          Milliken 1980), `F test of ...`, `variance of ...`, or fact: `log likelihood`, `optimiser
          agreement`, `rows` (cells), `participants`, `singular` (1 yes)
        - estimate (number): value of the term, {ON_SCALE}; of a variance its square
        - se (number): standard error of a coefficient or mean, on the scale of the analysis
        - df (number): degrees of freedom of a coefficient or mean; of an F test those of the
          denominator
        - t (number): coefficient over its standard error
        - p (number): two-sided p-value of a coefficient, or p-value of an F test; not adjusted
        - note: `estimated as zero` for a variance at its limit; why something is absent
        - ci_low (number): lower end of the 95 % interval; of a variance from the information of its
          logarithm (Pinheiro and Bates 2000), of one estimated as zero from the profiled likelihood
          (Venzon and Moolgavkar 1988)
        - ci_high (number): upper end of that interval
        - F (number): F of equally weighted cell means, type III (Kenward and Roger 1997)
        - df_num (number): degrees of freedom of the numerator of F
        """),
    "sensitivity": table(f"""
        A contrast of a primary outcome over the exercises under another assumption about the same
        values, or why there is none.
        {COMPARED}
        - contrast: {CONTRAST}
        - scale: {SCALE}
        - analysis: the assumption: `mixed model, Kenward-Roger` (Kenward and Roger 1997); `paired
          t, ...` (Student 1908) and `sign-flip test ...` (Fisher 1935), without the visit; `one
          participant left out`; `own baseline as covariate`, or without it where the plan adjusts
          (Neuhaus and Kalbfleisch 1998); `change from own baseline`; `at equal work, ...`
          (Rosenbaum 1984) and `at the prevailing heart rate, ...` (de Geus et al. 2019), withheld
          where these inflate the variance more than fivefold (Marquardt 1970); `missing cells at
          the worst, ...` (Horowitz and Manski 2000)
        - left_out: participant who is left out
        - estimate (number): difference in the unit of the outcome, or ratio, under the assumption
        - se (number): its standard error, {ON_SCALE}
        - df (number): its degrees of freedom
        - ci_low (number): lower end of its interval {CI}
        - ci_high (number): upper end of that interval
        - p (number): its two-sided p-value, not adjusted
        - main_estimate (number): estimate of contrasts.tsv
        - difference (number): estimate minus main_estimate, on a ratio scale estimate over it
        - n_participants (number): participants that entered
        - n_rows (number): values that entered, before bouts are averaged
        - n_pairs (number): participants with both conditions; fewer than are tested: no p
        - note: what was left out or filled in; why there is nothing
        """),
    "alternatives": table(f"""
        A contrast of a primary outcome over the exercises under other settings, the main analysis
        first.
        - alternative: name of the alternative in `try_alternatives.alternatives`; `main analysis`;
          `pressures_that_count`: without the sets whose pressure_counts is no in safety.tsv
        - says: what it is, in words
        - differs: settings that differ from the main analysis, with both values
        {COMPARED}
        - contrast: {CONTRAST}
        - scale: {SCALE}
        - estimate (number): difference in the unit of the outcome, or ratio
        - ci_low (number): lower end of its interval {CI}
        - ci_high (number): upper end of that interval
        - p (number): its two-sided p-value, not adjusted
        - p_adjusted (number): the p-value corrected as in contrasts.tsv
        - claim: as in contrasts.tsv
        - n_participants (number): participants with a value in any of the conditions
        - n_pairs (number): participants with both conditions
        - flagged_pct (number): share of the values of both conditions that is flagged, %
        - withheld_pct (number): share of them that is refused or missing, %
        - main_estimate (number): estimate of the main analysis
        - difference (number): estimate minus main_estimate, on a ratio scale estimate over it
        - n_values (number): values of the outcome in the window under the alternative; n/a in the
          main analysis
        - n_values_changed (number): values that changed, came or went; n/a in the main analysis
        - concerns: whether the alternative can move the outcome: `yes`, `no`, `main setting` (it is
          the setting of the main analysis and was not run again)
        - note: as in contrasts.tsv
        """),
    "missing": table("""
        A reason for which values of an outcome are missing in a condition. Outcomes that were given
        nowhere are left out unless they are primary.
        - outcome: outcome that is missing
        - window: window in which it is missing
        - condition: condition in which it is missing
        - status: `refused` or `missing`, as in outcomes.tsv; `not done`: nothing was there to be
          asked
        - reason: why, without the figures measured in single windows
        - n_values (number): values missing for this reason; n/a where not done
        - n_cells (number): cells of participant and exercise that have no value for this reason
        - n_participants (number): participants concerned
        - n_in_sets_to_failure (number): of n_values, those of sets that ended in failure; n/a where
          not done
        - primary: `yes` for a primary outcome, else `no`
        """),
    "effect_sizes": table(f"""
        Numbers of a contrast for readers and meta-analysis, from the participants' own values in
        both conditions, over the exercises done in both, without the visit. All on the scale of the
        analysis: of natural logarithms for outcomes of scale `ratio`. Intervals of 95 %.
        {COMPARED}
        - exercise: `all`: over the exercises; primary outcomes also within each
        - contrast: {CONTRAST}
        - scale: {SCALE}
        - n_pairs (number): participants with values in both conditions
        - flagged_pct (number): share of the values of both conditions that is flagged, %
        - withheld_pct (number): share of them that is refused or missing, %
        - condition_mean (number): mean of A over these participants
        - condition_sd (number): its standard deviation between participants
        - reference_mean (number): mean of B
        - reference_sd (number): its standard deviation between participants
        - correlation (number): correlation of the participants' values in A and B
        - difference (number): raw effect: mean difference A - B
        - difference_low (number): lower end of its interval (paired t; Student 1908)
        - difference_high (number): upper end of that interval
        - sd_of_differences (number): standard deviation of the differences
        - d_av (number): difference over the root of the mean of the two variances (Cumming 2012)
        - d_av_low (number): lower end of its interval (Algina and Keselman 2003)
        - d_av_high (number): upper end of that interval
        - g_av (number): d_av times the small-sample correction of Hedges 1981, n - 1 df
        - g_av_low (number): lower end of its interval
        - g_av_high (number): upper end of that interval
        - d_z (number): difference over sd_of_differences
        - d_z_low (number): lower end of its interval (noncentral t; Steiger and Fouladi 1997)
        - d_z_high (number): upper end of that interval
        - g_z (number): d_z times the small-sample correction of Hedges 1981
        - g_z_low (number): lower end of its interval
        - g_z_high (number): upper end of that interval
        - individual_sd (number): primary outcomes, `all`: standard deviation of true responses of
          people, what the differences spread beyond bouts (Hopkins 2015; Atkinson and Batterham
          2015); with one visit for each condition it holds what varies from visit to visit
        - individual_sd_low (number): lower end of its interval (Zou and Donner 2008)
        - individual_sd_high (number): upper end of that interval
        - bout_sd (number): standard deviation that bouts add to a person's difference
        - note: why something is absent
        """),
    "individual_responses": table(f"""
        The difference of one participant in a primary outcome over the exercises, apart from what
        bouts leave open. A description: nobody is sorted into responders and others.
        - participant_id: participant
        {COMPARED}
        - contrast: {CONTRAST}
        - scale: {SCALE}
        - difference (number): A minus B in the unit of the outcome, or A over B
        - se (number): its standard error from bouts, {ON_SCALE}
        - ci_low (number): lower end of its 95 % interval from bouts; what varies from visit to
          visit is not in it
        - ci_high (number): upper end of that interval
        - share (number): share of true responses in the variance of the difference, 0 to 1
        - expected (number): the difference drawn to the mean of all by that share (best linear
          prediction; Robinson 1991)
        - note: why something is absent
        """),
    "repeatability": table(f"""
        How well an outcome repeats: resting baselines over visits, bouts within a session.
        {COMPARED}
        - scale: {SCALE}
        - of: what was repeated: baselines of visits, or bouts within exercise and condition
        - n_participants (number): participants with every repeat
        - repeats (number): repeats; mean over exercises and conditions
        - n_values (number): values that entered
        - mean (number): mean in the unit of the outcome, geometric on a ratio scale
        - form: form of the intraclass correlation (Shrout and Fleiss 1979): `ICC(2,1), agreement`
          of single values; `ICC(3,1), consistency` but for a shift of all alike
        - icc (number): intraclass correlation; no unit
        - icc_low (number): lower end of its 95 % interval (Shrout and Fleiss 1979); of bouts from
          leaving one person out at a time
        - icc_high (number): upper end of that interval
        - sem (number): standard error of measurement in the unit of the outcome, or as a factor:
          root of the residual mean square, a shift of all people taken out (Weir 2005)
        - sem_low (number): lower end of its 95 % interval (chi squared)
        - sem_high (number): upper end of that interval
        - df (number): degrees of freedom of that error
        - detectable_change (number): smallest detectable change of one person, 1.96 times root 2
          times the error (Weir 2005), in the unit of the outcome, or as a factor
        - shift_p (number): p of a shift of all people between visits (F test)
        - note: who was left out, or why there is nothing
        """),
    "single_case": table(f"""
        A difference between two conditions in one participant, in studies of up to four people.
        Described, never claimed: the bouts of a session are no independent repetitions.
        - participant_id: participant
        {COMPARED}
        - exercise: `all`: mean over the exercises done in both, with equal weights; else one
        - contrast: {CONTRAST}
        - scale: {SCALE}
        - n_condition (number): values of A: bouts, or sessions where it has no bouts
        - n_reference (number): values of B
        - condition_mean (number): mean of A in the unit of the outcome, geometric on a ratio scale
        - reference_mean (number): mean of B
        - difference (number): A minus B in the unit of the outcome, or A over B
        - nap (number): non-overlap of all pairs, 0 to 1: the share of pairs of values in which A is
          above B, ties half (Parker and Vannest 2009), within exercises that have two values or
          more on either side, mean over these
        - tau (number): 2 nap - 1, from -1 to 1 (Parker et al. 2011)
        - n_comparisons (number): pairs of values that nap counts
        - randomisation_p (number): two-sided p-value over all schedules that
          `plan.session_schedule` could have drawn (Edgington and Onghena 2007)
        - randomisation_minimum (number): smallest p that these schedules can give
        - n_schedules (number): schedules counted, or drawn at random
        - note: what cannot be told, or what was left out
        """),
    "planning": table(f"""
        What a study with so many participants can show of a planned claim, or detect in a single
        contrast of a primary outcome over the exercises, from the errors of this one.
        {COMPARED}
        - claim: the planned claim; n/a for a single contrast. Simulated studies, complete visits
          and balanced orders, decided as claims are
        - contrast: {CONTRAST}; n/a for a claim
        - scale: {SCALE}
        - n_participants (number): participants planned; the number in this study is among them
        - this_study: `yes` where that is the number in this study, else `no`
        - df (number): degrees of freedom of a contrast with so many
        - se (number): standard error of the contrast with so many, {ON_SCALE}
        - detectable (number): true difference, or ratio above 1, found with the setting `power` at
          the level 1 - `confidence` (noncentral t; Cohen 1988); of a claim from all other
          conditions alike
        - detectable_adjusted (number): the same at the first of the steps: of a contrast Shaffer's,
          over the contrasts; of a claim Holm's, over the claims
        - smallest_effect (number): smallest effect of interest as set
        - power_at_smallest_effect (number): power for that effect, 0 to 1
        - power_at_smallest_effect_adjusted (number): the same at the first of the steps
        - assurance (number): of a claim the same power, not adjusted, averaged over the uncertainty
          of the spread (O'Hagan, Stevens and Campbell 2005)
        - note: where the error comes from, or why nothing can be planned
        """),
    "diagnostics": table(f"""
        A residual or a random effect of the model of a primary outcome.
        {COMPARED}
        - part: `residual` or `random effect`
        - participant_id: participant
        - condition: condition of a residual, or of an effect of participant in condition
        - exercise: exercise of a residual, or of an effect of participant in exercise
        - term: random term of an effect: `participant`, `participant:condition`,
          `participant:exercise`
        - fitted (number): fitted value of a residual, {ON_SCALE}
        - value (number): residual or random effect, on the scale of the analysis
        - quantile (number): standard normal quantile of its rank among those of its kind (Blom
          1958)
        """),
    "exclusions": table(f"""
        Something that was left out, by which rule.
        - participant_id: participant, n/a where several are meant
        - session_id: session, as in sessions.tsv
        - scope: what is left out: `participant`, `session`, `condition` (a participant did no set
          in it), `event`, a beat or span by hand (`remove_beat`, `add_beat`, `move_beat`,
          `exclude_span`), `span` of a recording, `outcome` (values)
        - signal: signal of a beat or span
        - start_s (time): start of the event or span, or the beat, {SESSION_CLOCK}
        - end_s (time): its end, {SESSION_CLOCK}
        - outcome: outcome whose values are left out
        - window: window whose values are left out
        - rule: `no recording`, `not done`, `edits.tsv`, `signal quality`, `refused`, `missing`
        - reason: why; the note of the visit, the reason of the edit, or the rule's own
        - counted: what n_before and n_after count: participants, visits, events, spans or values;
          n/a for edits
        - n_before (number): how many there were before; n/a for edits
        - n_after (number): how many there were after
        """),
    "quality": table(f"""
        The quality of a recording, of a span of it, or of the beats in a window.
        {VISIT}
        - signal: `ecg`, `rr` or `muscle_oxygen`: a recording; `beats`: beats in a window
        - file: file inside the study folder; n/a for a window
        - site: muscle under a saturation sensor
        - segment: `recording`: the whole; `span`: part of an ECG, or one of saturation that cannot
          be used; else the window
        {EVENT_ID}
        - event_onset_s (time): onset of the event of the window, {SESSION_CLOCK}
        - exercise: exercise of the window
        - start_s (time): start, {SESSION_CLOCK}
        - end_s (time): end, {SESSION_CLOCK}
        - usable_pct (number): beats of a recording or window: share of its time that intervals
          cover; span of an ECG: probability that all its beats are right; saturation: share of
          readings; all in %
        - beats (number): beats found in a recording; in a window, intervals of the repaired series
          that lie whole in it
        - corrected_pct (number): beats corrected by repair or hand, in % of the beats used
        - longest_repaired_run (number): most corrected beats in a row
        - corrected_pct_without_edits (number): corrected_pct if nobody had edited
        - rmssd_ms (number): RMSSD of the whole recording, only to show what edits moved; ms
        - rmssd_ms_without_edits (number): the same if nobody had edited; ms
        - timing_step_ms (number): step to which beat intervals are rounded in their file, ms; 0 for
          an ECG, n/a where no step was found
        - dropouts (number): unusable spans of a saturation recording
        - verdict: `accepted`, `doubtful`, `rejected`; n/a for a window
        - reason: what speaks against it, or what is to be known of it
        """),
    "sync": table(f"""
        A recording on the session clock: session time = offset_s + file time x (1 + drift_ppm x
        1e-6).
        {VISIT}
        - signal: what was recorded
        - file: file inside the study folder
        - offset_s (time): session time at the file's own zero, s
        - drift_ppm (number): drift of the recorder's clock, parts per million; 0 where not known
        - residual_ms (number): root mean square of the sync marks about the line, ms; 0 by
          construction with two, n/a with fewer
        - n_marks (number): sync marks used
        - placed_by: what gave offset_s: `sync marks`, `stated offset`, `time stamps` with
          session_start, `start of the acquisition` of a BIDS file, or `nothing`: the recording is
          then taken to begin with the session, and that is flagged
        - stamps_moved_pct (number): share of the time stamps that were moved by more than 1 ms onto
          the even axis about which they scatter, as stamps of arrival do; 0 where they were kept,
          n/a where the file has none of samples, as for beat intervals
        - largest_move_ms (number): largest move of a time stamp onto the even axis, ms
        - used: `yes`, or `no` with the reason in `status`
        - status: begins with `ok:`, `unchecked:` (drift not known) or `flagged:`, and says why;
          then what was noticed when the file was read and, without two sync marks, how heart rate
          or saturation agrees with another recorder, which moves nothing
        - encoding: encoding of a text file as read; n/a for other files
        - separator: separator of a text file as read
        - decimal: decimal mark of a text file as read
        - first_row (number): first row of numbers of a text file as read
        """),
    "unmade": table("""
        A person, page or figure that could not be made, so that the study went on without; none in
        most studies. Those of figures stand in figures/undrawn.tsv.
        - kind: `person`, `session page`, `figure`
        - name: which: participant, session, figure
        - participant_id: participant
        - step: step of the workflow that failed
        - reason: what it said
        """),
    "decisions": table(f"""
        A decision of a person, a row of edits.tsv, and what it changed. One that cannot be carried
        out stops the run.
        - edit_id: label of the decision in edits.tsv, where reason and editor stand
        {VISIT}
        - signal: signal that was looked at; n/a where events are left out
        - action: what was decided
        - carried_out_on: beat, span, event, visit or participant that it changed; times are on the
          session clock
        - changed: what is different now, in a few words
        """),
    "unused": table(f"""
        Something that the study declares and that was not used.
        {VISIT}
        - table: table that declares it
        - signal: what was recorded
        - file: file inside the study folder
        - reason: why it was not used
        """),
    "safety": table(f"""
        The sets of one visit on one limb, side and posture (scope `visit`), one of these sets
        (`set`), another event at which something was found (`event`) or such a step of a titration
        (`titration`); a visit without sets has one row. A pressure is valid only for the limb,
        side, posture, cuff and day of its own measurement; nothing here says that a pressure is
        safe.
        {VISIT}
        - visit (number): number of the visit in the order done
        - scope: `visit`, `set`, `event` or `titration`
        - event_id: the set or event, as in outcomes.tsv
        - event_onset_s (time): its onset, {SESSION_CLOCK}
        - exercise: exercise of the set
        - bout (number): number of the set within its exercise
        - condition: condition of the sets; several with ; between
        - limb: `arm` or `leg`
        - side: `left`, `right` or `both`
        - posture: `supine`, `seated` or `standing`
        - cuff: name of the cuff, as in cuffs of study.yaml
        - cuff_width_cm (number): width of the cuff at the occlusion measurement, cm
        - occlusion_pressure_mmhg (number): occlusion pressure of this limb, side, posture, cuff and
          day, mean of repeated measurements, mmHg
        - occlusion_method: how it was found, as in occlusion.tsv
        - sets (number): number of sets; n/a of a single set
        - highest_pressure_mmhg (number): highest cuff pressure noted for the sets, mmHg; of a set
          the pressure that the verdict is about
        - pressure_source: of a set: `noted`; `noted for the cuff` or `recorded` (its median), where
          that is higher by more than pressure_tolerance_mmhg or nothing was noted; `highest
          recorded`, where that reaches an occlusion pressure of the limb
        - share_pct (number): that pressure in % of the occlusion pressure
        - share_status: `ok`; `flagged`: uncertain; `refused`: no measurement that matches; n/a
          without a cuff pressure
        - share_reason: why it is not `ok`, with the range that it may have
        - verdict: of a set; of a visit the gravest of its sets: `within` the study's largest share;
          `above limit`; `at or above occlusion`: any known occlusion pressure of the limb, whatever
          its day, posture or side; `unknown`; `estimated`: not measured; `other limb`, `other
          posture`, `other cuff`, `other day`: measured there only; `by titration`: a step that was
          passed on that limb, day and posture; `overridden` in occlusion.tsv; n/a without a cuff
          pressure
        - verdict_reason: on what the verdict rests; of a visit how many sets have which
        - pressure_counts: of a set: `yes` where its pressure counts as that of its condition
          (`within`, `by titration`, `overridden`), else `no`; n/a without a cuff pressure
        - restriction_min (number): time under cuffs, without those noted at 0 mmHg, sum, min; n/a
          where a set with a cuff lacks `cuff_times`
        - longest_restriction_min (number): longest cuff without release, min; n/a likewise
        - stopped_early (number): number of sets stopped early
        - symptoms: symptoms and signs with exercise and bout, or `none noted`
        - missing_checks: checks that were not noted, of a visit with the number of sets, or `none`;
          `cuff_times`: when the cuff of a set was inflated and released
        - systolic_mmhg (number): highest systolic blood pressure noted with the sets, mmHg
        - diastolic_mmhg (number): highest diastolic blood pressure noted with them, mmHg
        - findings: what a person should look at, or `none`; of a visit without sets its note
        """),
    "titration": table(f"""
        A pressure step of titration.tsv of the study. A passed step is no statement that a pressure
        is safe.
        {VISIT}
        - limb: `arm` or `leg`
        - side: `left`, `right` or `both`
        - posture: `supine`, `seated` or `standing`
        - cuff: name of the cuff, as in cuffs of study.yaml
        - cuff_width_cm (number): width of the cuff, cm
        - pressure_mmhg (number): pressure of the step, mmHg
        - capillary_refill_s (number): capillary refill at the step, s
        - distal_flow: `yes` or `no`: flow heard or felt distal to the cuff
        - skin_colour: colour of the skin distal to the cuff
        - pain (number): pain, 0 to 10
        - numbness: `none`, `mild` or `marked`
        - smo2_pct (number): muscle oxygen saturation at the step, %
        - accepted: `yes` where the step was accepted
        - passed: `yes` where it was accepted, flow was heard, refill lay within slow_refill_s, no
          stop sign was noted at that pressure and no known occlusion pressure of the limb was
          reached
        - reason: why it was not passed
        - sets_at_pressure (number): sets of the visit at that pressure on that limb
        """),
    "harms": table("""
        Harms of one condition: all of them (`all`), then each by what it was and its grade. Without
        a harms table of the study there are no numbers.
        - condition: condition of the event or of the visit's sets; `not attributed` where neither
          tells one
        - what: the harm as noted, or `all`
        - grade: its grade, from `mild` to `fatal`
        - harms (number): number of harms
        - people (number): participants with such a harm
        - people_at_risk (number): participants with a set in this condition
        - sets_at_risk (number): sets done in this condition, in the analysis or not
        - people_ci_low_pct (number): lower end of the exact 95 % interval of people among those at
          risk, % (Clopper and Pearson 1934)
        - people_ci_high_pct (number): upper end of that interval, %
        - related (number): harms that were related to the cuff, yes, probable or possible
        - unresolved (number): harms noted as not resolved
        - latest_days_after (number): most days after the visit at which one was noted
        - note: `none` where there was no harm; `no harms table was kept` where the study has none
        """),
    "cuff_checks": table(f"""
        A cuff or set of the session sheet against a recording of cuff pressure. No rows where no
        cuff pressure was recorded.
        {VISIT}
        - trial_type: `cuff` or `set`
        - exercise: exercise, as noted
        - bout (number): number of the set within its exercise
        - condition: condition, as noted
        - limb: limb, as noted
        - side: side, as noted
        - onset_s (time): onset, {SESSION_CLOCK}
        - duration_s (number): duration, s
        - file: file of the recorded pressure, inside the study folder
        - planned_mmhg (number): pressure noted, mmHg; 0 without cuff, n/a where not known
        - actual_mmhg (number): median of the recorded pressure, smoothed, without its first and
          last seconds, mmHg
        - lowest_mmhg (number): lowest of it, mmHg
        - highest_mmhg (number): highest of it, mmHg
        - leak_from_s (time): time from which it stayed too low, {SESSION_CLOCK}; n/a if never
        - status: `ok`, `flagged`, `missing` (nothing can be compared)
        - reason: why it is not `ok`
        """),
    "boundaries": table(f"""
        A start or end of a set or cuff, in the session sheet and as the recordings show it.
        {VISIT}
        - file: file of the recording, inside the study folder
        - site: muscle under the sensor; n/a for a cuff pressure
        - boundary: `set_start`, `set_end`, `cuff_on`, `cuff_off`
        - log_s (time): as noted, {SESSION_CLOCK}; n/a where the sheet has none
        - proposed_s (time): as the recording shows it, {SESSION_CLOCK}; n/a where it shows none
        - difference_s (number): proposed_s minus log_s, s
        - se_s (number): standard error of proposed_s, s
        - confidence (number): chance that proposed_s lies within 1 s, 0 to 1
        - source: what shows it: `ripple` of contractions, `saturation`, `pressure`
        - status: `ok`, `flagged` (too far apart, or supplied by the recording), `missing` (on one
          side only, or on neither)
        - reason: why it is not `ok`
        """),
    "failure": table("""
        How well a marker tells sets to failure from others, or how often sets were to failure.
        Intervals of 95 % come from resampling people, 2,000 times with the seed of the study.
        - marker: outcome of saturation; n/a where sets are counted only
        - measure: `area under the curve`: probability that of two sets the failed one has the lower
          saturation, or the longer time in the band; `hazard ratio per percentage point` of failing
          at the next repetition (Cox 1972, ties as Efron 1977); `best threshold` (Youden 1950);
          sensitivity and specificity of the declared band, and of the best threshold of all other
          people; `share of sets to failure`; `difference of shares` over matched sets
        - stratum: sets that are compared with one another: `all sets`, those `within` a person,
          condition or exercise, or those of one condition or of two
        - n_sets (number): sets with marker and failure known; matched pairs of a difference
        - n_failed (number): sets to failure among them; pairs with one to failure
        - n_participants (number): participants with such sets
        - value (number): the measure; a threshold in %, shares from 0 to 1
        - ci_low (number): lower end of its interval
        - ci_high (number): upper end of that interval
        - p (number): exact p of McNemar 1947, which takes sets as independent
        - p_people (number): p of flipping the signs of each person's own difference
        - note: what the number leaves out or rests on, or why it cannot be told
        """),
    "dose": table(f"""
        How an outcome of sets goes with the pressure applied, as a share of the measured occlusion
        pressure: recorded under the cuff, else as noted. Only differences within a person and
        exercise count; errors come from leaving one person out at a time.
        {COMPARED}
        - scale: {SCALE}
        - measure: change or ratio for 10 % of the occlusion pressure (least squares; none of a
          rating, whose steps are not equal), `Kendall's tau` of pairs of sets (Kendall 1938), or
          the dose at which the mean nadir reaches the upper edge of the failure band
        - n_values (number): values of a person and exercise at two known doses or more; a recovery
          counts with the mean dose of its visit
        - n_participants (number): participants with such values
        - value (number): the measure: in the unit of the outcome, a ratio, a tau, or a dose in %
        - ci_low (number): lower end of its 95 % interval
        - ci_high (number): upper end of that interval
        - df (number): degrees of freedom: people less one
        - p (number): two-sided p against no change, not adjusted
        - note: what was left out and why, or why there is no value
        """),
    "coupling": table("""
        How an outcome of saturation and one of the heart go together at one level.
        - saturation: outcome of saturation
        - heart: outcome of the heart
        - level: `within session`: sets about the mean of their session; `within person and
          condition`; `between sessions of a person`: their means about that of the person; `between
          people`: means of people
        - n_participants (number): participants who take part at this level
        - n_sets (number): their sets with both values; their sessions between sessions
        - r (number): correlation of the deviations, -1 to 1 (Snijders and Bosker 2012)
        - ci_low (number): lower end of its 95 % interval on Fisher's z, from leaving one person out
          at a time; between people after Fisher 1921
        - ci_high (number): upper end of that interval
        - df (number): its degrees of freedom: people less one, between people less two
        - p (number): its p-value, not adjusted
        - note: how to read it, or why it is absent
        """),
    "repetitions": table(f"""
        A set with contractions counted from saturation and repetitions noted.
        {VISIT}
        {EVENT_ID}
        - event_onset_s (time): onset of the set, {SESSION_CLOCK}
        {OF_EVENT}
        - counted (number): contractions counted (contraction_count)
        - noted (number): repetitions noted (reps_done)
        - difference (number): counted minus noted
        - status: status of the count: `ok` or `flagged`
        """),
    "repetition_agreement": table("""
        Agreement of the counts with the notes over the study; no row with fewer than ten sets.
        - of: `all counts` or `counts without a flag`
        - n_sets (number): sets compared
        - bias (number): mean of counted minus noted, repetitions
        - sd (number): standard deviation of the differences
        - lower_limit (number): lower limit of agreement, bias - 1.96 sd (Bland and Altman 1986)
        - upper_limit (number): upper limit of agreement
        - differing_sets (number): sets that differ by one repetition or more
        """),
    "recovery_series": table(f"""
        RMSSD of 30 s, every 15 s from the end of a set or the start of a recovery on.
        {VISIT}
        {EVENT_ID}
        - event_onset_s (time): onset of the set or recovery, {SESSION_CLOCK}
        - trial_type: `set` or `recovery`
        {OF_EVENT}
        - after_s (number): middle of the 30 s, counted from the start of recovery_first_60_s, s
        - rmssd_ms (number): RMSSD of the 30 s, ms (Task Force 1996)
        - se (number): its sampling error, ms; n/a where the 30 s are too short to tell
        """),
    "beats": table(f"""
        A beat that was seen, added by hand or put in by the repair, in order of time.
        - session_id: session, as in sessions.tsv
        - time_s (time): where the beat was seen or put, {SESSION_CLOCK}
        - rr_ms (number): interval from the beat seen before it, ms; n/a at the first of a stretch
          and for beats not from the detector
        - nn_ms (number): interval that ends here in the repaired series, ms; n/a for a beat that is
          not in it and at the first of a stretch
        - kind: `normal`; `ectopic`: early or of another shape, `misplaced`: off by less, both given
          the time that the intervals nearby let expect; `missed`: put in by the repair; `extra`:
          dropped by it; `added`, `removed`: by hand (after Lipponen and Tarvainen 2019)
        - source: `detector`, `edit` (a person) or `repair`
        - nn_time_s (time): time in the repaired series, {SESSION_CLOCK}; n/a for a beat that is not
          in it
        - reason: why the beat is not an ordinary one
        """)._replace(file="beats/<participant>.tsv"),
    "respiration": table(f"""
        The breathing rate at one time of a visit, from the recording of breathing or the heart.
        - session_id: session, as in sessions.tsv
        - time_s (time): middle of the time looked at, {SESSION_CLOCK}
        - rate_hz (number): breathing rate, Hz; n/a where it is not known
        - confidence (number): probability that breathing lies within 0.03 Hz of the likeliest rate,
          0 to 1
        - status: `known` or `unknown`
        - reason: where the rate comes from, or why it is not known
        """)._replace(file="participants/<participant>/respiration.tsv.gz"),
    "segments": table(f"""
        A set of the session sheet with the sensor on the working muscle.
        - session_id: session, as in sessions.tsv
        {EVENT_ID}
        - event_onset_s (time): onset of the set, noted or supplied, {SESSION_CLOCK}
        - duration_s (number): duration of the set, noted or supplied, s
        - supplied: which limits the recording supplied: `start`, `end`
        - supplied_se_s (number): standard error of a supplied limit, s
        - untimed: why the set has no time
        - exercise: exercise of the set
        - cuff_recorded_mmhg (number): recorded cuff pressure in the set, mmHg
        - file: file of the sensor, inside the study folder
        - channel: channel of the sensor in its file
        - site: muscle under the sensor
        - position: where the sensor lies, seen from the cuff: `distal`, `proximal`
        - status: `ok`, `flagged`, `refused`: whether the sensor can stand for the muscle
        - reason: why it is not `ok`
        """)._replace(file="participants/<participant>/segments.tsv"),
    "signals": table(f"""
        An unbroken stretch of a signal as recorded, on the session clock.
        {SENSOR}
        - unit: unit of value
        - stretch (number): number of the stretch within its recording, from 0
        - start_s (time): time of the first value, {SESSION_CLOCK}
        - step_s (number): time from value to value, s; empty where they are not evenly spaced
        - time_s (time): list: time of every value, {SESSION_CLOCK}; empty where evenly spaced
        - value (number): list: the values; the first of beat intervals is no number and stands for
          the beat that begins them
        """)._replace(file="signals/<participant>.parquet"),
    "saturation": table(f"""
        A reading of saturation, cleaned, or of haemoglobin, on the session clock.
        {SENSOR}
        - unit: unit of the reading
        - time_s (time): time of the reading, {SESSION_CLOCK}
        - value (number): the reading, % for saturation, else the unit in which it was recorded;
          empty where it cannot be used
        - reason: why it cannot be used
        - level_segment (number): rises by one at every slip of the sensor: levels compare only
          where it is the same
        """)._replace(file="signals/<participant>_oxygenation.parquet"),
    "inputs": table("""
        A file of the study that entered.
        - file: path inside the study folder
        - bytes (number): its size
        - sha256: its SHA-256 checksum
        """)._replace(file="provenance/inputs.tsv"),
    "manifest": table("""
        A result with its checksum and what it was made from, an input, or a file of the code.
        - kind: `input`: entered from the study; `code`: computed or was filled; `result`: was made
        - file: the file: as in provenance/inputs.tsv, in the project, or in the results
        - bytes (number): its size
        - sha256: SHA-256 of its bytes; of a Python file, of what it does: comments do not count;
          n/a where a file names the time of the run
        - rule: rule of the workflow that made the result
        - participant: participant whose result it is; n/a where it is of the study
        - made_from: what the rule reads: recordings, rows of tables of the study, results
        - inputs_sha256: digest of all that it reads
        - settings_sha256: digest of the settings that the rule is given
        - code_sha256: digest of the code that the rule runs and the templates that it fills
        """),
    "settings_changed": table("""
        A setting that differs from config/config.yaml.
        - setting: section and name of the setting
        - usual: its value in config/config.yaml
        - here: its value in this study
        """)._replace(file="provenance/settings_changed.tsv"),
    "software": table("""
        A package of the environment.
        - name: the package, or `requirements.lock`
        - version: its version; of requirements.lock the SHA-256 checksum
        """)._replace(file="provenance/software.tsv"),
}


def columns_of(name: str) -> list[str]:
    """Names of the columns of a result table in the order in which they are written."""
    return list(TABLES[name].columns)


def columns_that_hold(kind: type) -> set[str]:
    """Names of the columns that hold `kind` (str, Number, SessionTime) in whatever table."""
    types = {}
    for declared in TABLES.values():
        for column, meaning in declared.columns.items():
            types.setdefault(column, set()).add(type(meaning))
    return {column for column, held in types.items() if held == {kind}}
