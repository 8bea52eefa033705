"""People and visits of a twin: the design of a study, carried out by simulated people."""

import random
from dataclasses import dataclass

import numpy as np

from archive.labels import dealt
from demo import sheets, signals
from demo import study as demo
from demo.heart_period import simulate_beats
from recordings.store import SessionStretch
from study.session_sheet import events_of, table_of
from study.units import CANONICAL_UNIT

RATE_HZ = {"ecg": 130.0, "respiration": 10.0, "cuff_pressure": 2.0}
SATURATION_RATE_HZ = 2.0
SYNC_S = 5.0

# times of a session of the demo study, for designs that fewer people carried out
TIMES_S = {
    "baseline": demo.BASELINE_DURATION_S,
    "recovery": demo.RECOVERY_DURATION_S,
    "set": 60.0,
    "rest": 80.0,
}

# answers and signs of a set in the demo study, without a cuff and at the last condition
ANSWERS = {"rpe": (3.0, 6.0), "pain": (0.5, 4.0)}


@dataclass(frozen=True)
class Visit:
    """A visit of the twin: who, when, which conditions in their order."""

    person: str
    session: str
    visit: int
    sequence: str | None
    conditions: tuple


@dataclass(frozen=True)
class Bout:
    """A set of a visit, times on the session clock."""

    condition: str
    exercise: str
    limb: str | None
    bout: int
    onset_s: float
    end_s: float
    pressure_mmhg: float
    cuff_s: tuple


def visits_of(study, seed):
    """Visits of the twin: those of the study under labels dealt anew."""
    sessions = table_of(study, "sessions")
    sets = events_of(study).query("trial_type == 'set'")
    people = list(table_of(study, "participants")["participant_id"])
    label = dealt(people, random.Random(seed))  # noqa: S311 no secret
    visits = []
    for row in sessions.itertuples():
        of_group = sets[
            (sets["participant_id"] == row.participant_id) & (sets["session_id"] == row.session_id)
        ]
        done = tuple(dict.fromkeys(of_group["condition"]))
        sequence = row.sequence if isinstance(row.sequence, str) else None
        visits.append(
            Visit(label[row.participant_id], f"ses-{row.visit}", row.visit, sequence, done)
        )
    return sorted(visits, key=lambda visit: (visit.person, visit.visit))


class Simulation:
    """The twin's people and visits, made from the design of a study and values of its group."""

    def __init__(self, study, settings, group, seed):
        self.group = group
        self.settings = settings
        self.recordings = table_of(study, "recordings")
        self.events = events_of(study)
        self.sets = self.events[self.events["trial_type"] == "set"]
        self.conditions = list(settings.study.conditions)
        self.visits = visits_of(study, seed)
        self.occlusion = table_of(study, "occlusion")
        self.has_ages = table_of(study, "participants")["age_years"].notna().any()
        self.seed = seed
        done = self.sets.groupby("exercise")
        first = done["onset_s"].median().sort_values(kind="stable")
        self.exercises = {
            name: {
                "bouts": int(of_group["bout"].max()) if of_group["bout"].notna().any() else 1,
                **{
                    c: most_common(of_group[c]) for c in ("limb", "side", "posture", "reps_planned")
                },
            }
            for name, of_group in ((name, done.get_group(name)) for name in first.index)
        }

    def level(self, condition):
        """Where a condition stands between the first, 0, and the last, 1."""
        return self.conditions.index(condition) / max(1, len(self.conditions) - 1)

    def time_s(self, kind):
        return self.group.mean(f"duration of {kind}, s", TIMES_S[kind])

    def person_of(self, name):
        """What stays the same over the visits of one person, drawn about the group."""
        rng = np.random.default_rng([self.seed, int(name.partition("-")[2])])

        def drawn(what, mean, spread, low, high):
            at, sd = self.group.mean(what, mean), self.group.spread(what, spread)
            return float(np.clip(rng.normal(at, sd), low, high))

        return {
            "age_years": round(drawn("age_years", 26.0, 4.0, 18.0, 89.0)),
            "resting_bpm": drawn("mean_hr_bpm at baseline", 66.0, 5.0, 45.0, 95.0),
            "rmssd_ms": drawn("rmssd_ms at baseline", 38.0, 9.0, 12.0, 90.0),
            "smo2_pct": drawn("smo2_baseline_pct at baseline", 66.0, 2.5, 50.0, 85.0),
            "nadir_shift_pct": rng.normal(0.0, 2.5),
            "occlusion_mmhg": {
                limb: round(
                    drawn(f"occlusion pressure of the {limb}, mmHg", mean, 10.0, 90.0, 300.0)
                )
                for limb, mean in (("leg", 190.0), ("arm", 145.0))
            },
        }

    def at_visit(self, person, rng):
        """A person on one day: what differs from visit to visit and between conditions, with the
        spreads of the demo study."""
        conditions = self.conditions
        return person | {
            "resting_bpm": person["resting_bpm"]
            + rng.normal(0.0, demo.RESTING_HR_DEVIATION_SD_BPM),
            "rmssd_ms": person["rmssd_ms"] * np.exp(rng.normal(0.0, demo.LOG_RMSSD_DEVIATION_SD)),
            "smo2_pct": person["smo2_pct"] + rng.normal(0.0, demo.SMO2_BASELINE_DEVIATION_SD_PCT),
            "rise_shift_bpm": {
                c: rng.normal(0.0, demo.MEAN_HR_DEVIATION_SD_BPM) for c in conditions
            },
            "nadir_shift_pct": {
                c: person["nadir_shift_pct"] + rng.normal(0.0, demo.SMO2_NADIR_DEVIATION_SD_PCT)
                for c in conditions
            },
        }

    def bouts_of(self, visit, person):
        """Sets of a visit in order, and the time at which the last rest ends."""
        has_baseline = (self.events["trial_type"] == "baseline").any()
        at_s = 20.0 + (self.time_s("baseline") if has_baseline else 0.0) + 30.0
        bouts = []
        for condition in visit.conditions:
            for exercise, planned in self.exercises.items():
                limb = planned["limb"]
                share = 0.6 * self.level(condition)
                mmhg = share * person["occlusion_mmhg"].get(limb, 170.0)
                mmhg = round(self.group.mean(f"pressure at {condition}, {limb}, mmHg", mmhg))
                for bout in range(1, planned["bouts"] + 1):
                    end_s = at_s + self.time_s("set")
                    cuff_s = (at_s - 15.0, end_s + (5.0 if mmhg else 0.0))
                    bouts.append(Bout(condition, exercise, limb, bout, at_s, end_s, mmhg, cuff_s))
                    at_s = end_s + self.time_s("rest")
        return bouts, bouts[-1].end_s if bouts else at_s

    def events_of_visit(self, visit, person, rng):
        """Rows of events.tsv of one visit, its bouts, and its end in s."""
        bouts, end_s = self.bouts_of(visit, person)
        kinds = set(self.events["trial_type"])
        noted = {c for c in (*ANSWERS, "to_failure", "reps_done", "distal_flow", "numbness")
                 if self.sets[c].notna().any()}  # fmt: skip
        key = {"participant_id": visit.person, "session_id": visit.session}
        posture = most_common(self.sets["posture"])
        entries = []

        def add(kind, start_s, stop_s, **more):
            placed = sheets.span(kind, start_s, stop_s) | {"onset_s": round(start_s, 1)}
            entries.append(key | placed | more)

        if "baseline" in kinds:
            add("baseline", 20.0, 20.0 + self.time_s("baseline"), posture=posture)
        for number, bout in enumerate(bouts):
            planned = self.exercises[bout.exercise]
            of_set = {c: planned[c] for c in ("limb", "side", "posture")}
            of_set |= {"condition": bout.condition, "exercise": bout.exercise, "bout": bout.bout}
            of_set["cuff_pressure_mmhg"] = bout.pressure_mmhg
            if "cuff" in kinds and bout.pressure_mmhg:
                add("cuff", *bout.cuff_s, **of_set)
            answers = self.answers(bout, planned["reps_planned"], rng)
            asked = {name: answer for name, answer in answers.items() if name in noted}
            add("set", bout.onset_s, bout.end_s, **of_set, **asked)
            if "rest" in kinds and number + 1 < len(bouts):
                add("rest", bout.end_s, bout.end_s + self.time_s("rest") - 20.0)
        if "recovery" in kinds and bouts:
            add("recovery", end_s, end_s + self.time_s("recovery"))
            end_s += self.time_s("recovery")
        end_s += 15.0
        if "sync" in kinds:
            add("sync", SYNC_S, SYNC_S)
            add("sync", end_s - SYNC_S, end_s - SYNC_S)
        return entries, bouts, end_s

    def occlusion_of(self, visit, person):
        """Rows of occlusion.tsv of one visit, measured as most of the study's were."""
        entries = []
        for limb, of_group in self.occlusion.groupby("limb"):
            columns = ("side", "posture", "cuff_width_cm", "method", "cuff")
            common = {column: most_common(of_group[column]) for column in columns}
            entries.append(
                {"participant_id": visit.person, "session_id": visit.session, "limb": limb}
                | {column: shared for column, shared in common.items() if shared is not None}
                | {"occlusion_pressure_mmhg": person["occlusion_mmhg"][limb]}
            )
        return entries

    def answers(self, bout, planned, rng):
        """What was asked and counted after a set, drawn about the group."""
        level = self.level(bout.condition)
        said = {}
        for name, (none, last) in ANSWERS.items():
            mean = self.group.mean(f"{name} at {bout.condition}", none + level * (last - none))
            said[name] = float(np.clip(np.round(2.0 * rng.normal(mean, 0.6)) / 2.0, 0.0, 10.0))
        failed = rng.random() < self.group.mean(f"to_failure at {bout.condition}", 0.3 * level)
        reps = self.group.mean(f"reps_done at {bout.condition}, {bout.exercise}", planned or 15)
        said |= {"to_failure": "yes" if failed else "no", "distal_flow": "yes", "numbness": "none"}
        return said | {"reps_done": max(1, round(rng.normal(reps, 0.7)))}

    def stretches_of(self, visit, person, bouts, end_s, rng):
        """Simulated recordings of one visit as unbroken stretches on the session clock."""
        asked = self.recordings.drop_duplicates(["signal", "site", "side", "position", "limb"])
        recorded = set(asked["signal"])
        beats = self.beats_of(person, bouts, end_s, rng)
        made = []
        for row in asked.itertuples():
            if row.signal == "rr" and "ecg" in recorded:
                # one of them is what a session has
                continue
            labels = {c: getattr(row, c) for c in ("site", "side", "position")}
            labels = {c: label if isinstance(label, str) else None for c, label in labels.items()}
            labels |= {"session_id": visit.session, "signal": row.signal, "channel": None}
            # which cuff, for the writer of recordings
            labels["file"] = str(row.limb)
            if row.signal == "rr":
                ms = np.rint(1000.0 * np.diff(beats.beat_time_s, prepend=np.nan))
                time_s, start_s, step_s, samples = beats.beat_time_s, beats.beat_time_s[0], None, ms
            else:
                step_s = 1.0 / RATE_HZ.get(row.signal, SATURATION_RATE_HZ)
                start_s, time_s = 0.0, np.arange(0.0, end_s, step_s)
                samples = self.course(row, person, bouts, beats, time_s, rng)
            unit = "umol_l" if row.unit == "umol_l" else CANONICAL_UNIT[row.signal]
            times = {"start_s": float(start_s), "step_s": step_s, "time_s": time_s}
            made.append(SessionStretch(**labels, unit=unit, number=0, value=samples, **times))
        return made

    def beats_of(self, person, bouts, end_s, rng):
        """Beats of one visit: a rise in each set, breathing, slow waves."""
        rest_bpm, steps, gains = person["resting_bpm"], [], []
        for bout in bouts:
            name = f"mean_hr_bpm at {bout.condition}, {bout.exercise}"
            bpm = self.group.mean(name, 66.0 + 22.0 + 6.0 * self.level(bout.condition))
            rise = bpm - self.group.mean("mean_hr_bpm at baseline", 66.0)
            rise += person["rise_shift_bpm"][bout.condition]
            steps += [
                signals.Step(bout.onset_s, rest_bpm + rise, 15.0),
                signals.Step(bout.end_s, rest_bpm, 35.0),
            ]
            gains += [signals.Step(bout.onset_s, 0.2, 8.0), signals.Step(bout.end_s, 1.0, 90.0)]
        beat_s, breathing_hz = 60.0 / rest_bpm, 0.25
        # a sine of amplitude A and frequency f has RMSSD = A sqrt(2) sin(pi f T)
        swing = np.sqrt(2.0) * np.sin(np.pi * breathing_hz * beat_s) * beat_s
        amplitude = 0.8 * person["rmssd_ms"] / 1000.0 / swing

        def modulation(time_s):
            return amplitude * signals.first_order_course(time_s, initial=1.0, steps=gains)

        return simulate_beats(
            end_s,
            heart_rate_bpm=lambda t: signals.first_order_course(t, initial=rest_bpm, steps=steps),
            breathing_rate_hz=breathing_hz,
            breathing_modulation=modulation,
            random_bands=[(0.1, 0.015, 0.02), (0.0, 0.02, 0.015)],
            jitter_s=0.003,
            step_s=0.02,
            rng=rng,
        )

    def course(self, row, person, bouts, beats, time_s, rng):
        """Values of one even recording."""
        noise = rng.standard_normal(time_s.size)
        if row.signal == "ecg":
            at_s = beats.beat_time_s
            waves = signals.add_waves(
                12.0 * noise,
                at_s,
                signals.intervals_of(at_s),
                np.ones(at_s.size),
                waves=signals.SINUS_WAVES,
                rate_hz=RATE_HZ["ecg"],
            )
            return np.round(waves / 1000.0, 4)
        if row.signal == "respiration":
            return np.round(np.interp(time_s, beats.time_s, beats.breathing) + 0.05 * noise, 3)
        if row.signal == "cuff_pressure":
            limbs = (row.limb,) if isinstance(row.limb, str) else ("arm", "leg", None)
            inflations = [
                (*bout.cuff_s, bout.pressure_mmhg)
                for bout in bouts
                if bout.pressure_mmhg and bout.limb in limbs
            ]
            course = signals.cuff_course(time_s, inflations)
            return np.round(np.maximum(course + 0.3 * noise, 0.0), 1)
        pct = self.saturation(row.site, person, bouts, time_s) + 0.35 * noise
        pct = np.clip(
            pct + 0.25 * signals.slow_wander(time_s, rng, low_hz=0.003, high_hz=0.02), 0.0, 100.0
        )
        total_umol_l = 60.0
        return {
            "muscle_oxygen": np.round(pct, 1),
            "oxy_haemoglobin": np.round(total_umol_l * pct / 100.0, 2),
            "deoxy_haemoglobin": np.round(total_umol_l * (1.0 - pct / 100.0), 2),
            "total_haemoglobin": np.round(
                (total_umol_l if row.unit == "umol_l" else 12.2) + 0.02 * noise, 2
            ),
        }[row.signal]

    def saturation(self, site, person, bouts, time_s):
        """Saturation under a sensor without noise: falls in sets of its muscle, ripples in them."""
        muscle_of = self.settings.segment_oxygenation.working_muscle
        baseline_pct = person["smo2_pct"]
        muscle_sets, ripple = [], np.zeros(time_s.size)
        for bout in bouts:
            works = muscle_of.get(bout.exercise, site) == site
            level = self.level(bout.condition)
            name = f"smo2_nadir_pct at {bout.condition}, {bout.exercise}"
            nadir_pct = self.group.mean(name, 50.0 - 32.0 * level)
            nadir_pct += person["nadir_shift_pct"][bout.condition]
            muscle_sets.append(
                signals.MuscleSet(
                    *(bout.cuff_s[0], bout.onset_s, bout.end_s, bout.cuff_s[1]),
                    resting_cuff_drop_pct=4.0 * level if works else 0.0,
                    nadir_pct=float(np.clip(nadir_pct, 3.0, baseline_pct)) if works else None,
                    recovery_tau_s=22.0,
                    overshoot_pct=3.5 + 4.5 * level if works else 0.0,
                )
            )
            if works:
                boundaries_s = np.arange(bout.onset_s, bout.end_s + 0.1, 3.5)
                ripple -= 1.8 * signals.ripple(time_s, boundaries_s)
        return ripple + signals.saturation_course(
            time_s, baseline_pct=baseline_pct, sets=muscle_sets
        )


def most_common(column):
    """The value that a column holds most often; None where it holds none."""
    counts = column.dropna().value_counts()
    return None if counts.empty else counts.index[0]
