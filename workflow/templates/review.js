"use strict";
// Decisions of a person at the page of one session: chosen by a click or typed into the form, shown
// with what they change, undone, and given out as rows of edits.tsv. No recording is altered.
document.addEventListener("course-drawn", ({ detail: course }) => {
  const { content, clock } = course;
  const byId = (id) => document.getElementById(id);
  const form = byId("decision");
  if (!content.review.files.length && !course.beatsShown) return;

  const SAME_BEAT_S = 2e-3; // two ends of intervals are one beat
  const NEAREST_BEAT_S = 0.060; // a decision means the beat within this, as in the workflow
  const LONGEST_INTERVAL_S = 3.0; // a longer one is a break
  const COLUMNS = [
    "edit_id", "participant_id", "session_id", "signal", "action", "time_s", "new_time_s", "end_s",
    "event_onset_s", "event_id", "file_sha256", "editor", "edited_at", "reason",
  ];
  // what each decision needs beside its reason
  const NEEDS = {
    remove_beat: ["time_s"], move_beat: ["time_s", "new_time_s"], add_beat: ["time_s"],
    exclude_span: ["signal", "time_s", "end_s"], accept_span: ["time_s", "end_s"],
    move_onset: ["event_id", "new_time_s"], move_offset: ["event_id", "new_time_s"],
    exclude_event: ["event_id"], exclude_session: [], exclude_participant: [],
  };
  const PANEL_SIGNALS = { saturation: "muscle_oxygen" };
  const heartSignal = content.review.files.some(({ signal }) => signal === "ecg") ? "ecg" : "rr";

  const place = `decisions ${content.participant} ${content.session} ${content.review.files.map(({ sha256 }) => sha256).join(" ")}`;
  const server = document.querySelector('meta[name="save-to"]');

  // ---- beats as the workflow has them, and as they would be ------------------------------------

  const seen = course.beatRows;

  function decided(decisions) {
    let rows = seen.map((row) => ({ ...row }));
    const nearest = (time) => {
      const own = rows.filter(({ kind }) => kind !== "missed" && kind !== "removed");
      const near = own.reduce((a, b) => (a && Math.abs(a.time - time) <= Math.abs(b.time - time) ? a : b), null);
      return near && Math.abs(near.time - time) <= NEAREST_BEAT_S ? near : null;
    };
    const takeOut = (row) => {
      const at = rows.indexOf(row);
      const next = rows[at + 1];
      if (row.starts && next) next.starts = true;
      rows.splice(at, 1);
    };
    const putIn = (time) => {
      // a beat that the repair had put in gives way to the one that a person saw
      const near = firstFrom(rows, time);
      for (const row of [rows[near - 1], rows[near]]) {
        if (row?.kind === "missed" && Math.abs(row.place - time) < 0.45 * usualInterval(rows, near)) takeOut(row);
      }
      const at = firstFrom(rows, time);
      if (at === 0 && rows.length) rows[0].starts = false;
      rows.splice(at, 0, { time, place: time, kind: "added", starts: at === 0, used: true });
    };
    for (const { action, time_s, new_time_s, end_s, signal } of decisions) {
      if (action === "remove_beat" || action === "move_beat") {
        const row = nearest(time_s);
        if (row) takeOut(row);
      }
      if (action === "add_beat") putIn(time_s);
      if (action === "move_beat") putIn(new_time_s);
      if (action === "exclude_span" && signal === heartSignal) {
        rows = rows.filter(({ time }) => time < time_s || time > end_s);
        const next = rows.find(({ time }) => time > end_s);
        if (next) next.starts = true;
      }
    }
    return rows;
  }

  // position of the first beat at or after a time
  function firstFrom(rows, time) {
    const at = rows.findIndex(({ place }) => place >= time);
    return at < 0 ? rows.length : at;
  }

  function usualInterval(rows, about) {
    const steps = [];
    for (let i = Math.max(1, about - 6); i < Math.min(rows.length, about + 7); i++) {
      if (!rows[i].starts) steps.push(rows[i].place - rows[i - 1].place);
    }
    steps.sort((a, b) => a - b);
    return steps.length ? steps[Math.floor(steps.length / 2)] : LONGEST_INTERVAL_S;
  }

  // intervals between beats in use, rounded as the table of beats holds them
  function intervalsOf(all) {
    const rows = all.filter(({ used }) => used);
    const intervals = [];
    for (let i = 1; i < rows.length; i++) {
      const ms = Number((1000 * (rows[i].place - rows[i - 1].place)).toPrecision(6));
      if (rows[i].starts || ms > 1000 * LONGEST_INTERVAL_S) continue;
      const normal = rows[i].kind === "normal" && rows[i - 1].kind === "normal";
      intervals.push({ end: rows[i].place, begin: rows[i].place - ms / 1000, ms, normal });
    }
    return intervals;
  }

  // Mean heart rate, 60000 / mean interval, and RMSSD over neighbours that are both normal
  // (Task Force 1996), of the intervals that lie whole in a window
  function heartOf(intervals, from, to) {
    const inside = intervals.filter(({ begin, end }) => begin >= from - SAME_BEAT_S && end <= to + SAME_BEAT_S);
    if (!inside.length) return { bpm: NaN, rmssd: NaN };
    const mean = inside.reduce((sum, { ms }) => sum + ms, 0) / inside.length;
    let squares = 0, count = 0;
    for (let i = 1; i < inside.length; i++) {
      const [a, b] = [inside[i - 1], inside[i]];
      if (a.normal && b.normal && Math.abs(b.begin - a.end) <= SAME_BEAT_S) {
        squares += (b.ms - a.ms) ** 2;
        count++;
      }
    }
    return { bpm: 60000 / mean, rmssd: count ? Math.sqrt(squares / count) : NaN };
  }

  const before = intervalsOf(seen);

  function effects(decisions) {
    const after = intervalsOf(decided(decisions));
    return content.review.windows.map(([name, from, to]) => ({
      name, was: heartOf(before, from, to), is: heartOf(after, from, to),
    })).filter(({ was, is }) => shown(was.bpm) !== shown(is.bpm) || shown(was.rmssd) !== shown(is.rmssd));
  }

  const shown = (value) => (Number.isNaN(value) ? "none" : value.toFixed(2));

  // the repair judges beats near a decision anew; where it had changed some, the page cannot know how
  function uncertain(decisions) {
    return decisions.some(({ action, time_s, new_time_s }) => action.endsWith("_beat") &&
      seen.some(({ time, kind, hand }) => kind !== "normal" && !hand && Math.min(
        Math.abs(time - time_s), Math.abs(time - (new_time_s ?? time_s))) < 6));
  }

  // ---- the form ---------------------------------------------------------------------------------

  const field = (name) => form.elements[name];
  const numberIn = (name) => (field(name).value === "" ? NaN : Number(field(name).value));
  const chosen = () => field("action").value;
  let decisions = remembered();
  let saved = 0;

  function showFields() {
    for (const part of form.querySelectorAll("[data-for]")) {
      part.hidden = !NEEDS[chosen()].includes(part.dataset.for);
    }
    course.repaint();
  }

  function choose(action, values = {}) {
    field("action").value = action;
    for (const [name, value] of Object.entries(values)) {
      field(name).value = typeof value === "number" ? Number(value.toFixed(4)) : value;
    }
    showFields();
    say("");
  }

  function say(text) {
    byId("review_says").textContent = text;
  }

  function draft() {
    const action = chosen();
    const needs = NEEDS[action];
    const row = { action };
    for (const name of ["time_s", "new_time_s", "end_s"]) {
      if (needs.includes(name)) row[name] = numberIn(name);
    }
    if (needs.includes("event_id")) row.event_id = field("event_id").value;
    row.signal = needs.includes("signal") ? field("signal").value : action.includes("beat") || action === "accept_span"
      ? heartSignal : (content.review.files[0]?.signal ?? heartSignal);
    return row;
  }

  // what is wrong with a decision, in a sentence; empty where nothing is
  function fault(row) {
    for (const name of NEEDS[row.action]) {
      if (name.endsWith("_s") && !Number.isFinite(row[name])) return "A time is missing: click it in a panel or type it.";
      if (name === "event_id" && !row.event_id) return "Choose the event.";
    }
    if ("end_s" in row && row.end_s <= row.time_s) return "The span ends before it begins.";
    if (row.action === "accept_span" && !content.spans.some(([begin, end]) => begin >= row.time_s && end <= row.end_s)) {
      return "No span in doubt lies whole in there.";
    }
    const beats = decided(decisions).filter(({ kind }) => kind !== "missed");
    const near = (time) => beats.find((beat) => Math.abs(beat.time - time) <= NEAREST_BEAT_S);
    if (row.action === "remove_beat" || row.action === "move_beat") {
      if (!near(row.time_s)) return `No beat lies within ${1000 * NEAREST_BEAT_S} ms of ${row.time_s} s.`;
    }
    if (row.action === "add_beat" && near(row.time_s)) return `A beat lies at ${near(row.time_s).time.toFixed(3)} s already: move that one.`;
    if (row.action === "move_onset" || row.action === "move_offset") {
      const event = content.review.events.find(({ event_id }) => event_id === row.event_id);
      const [from, to] = row.action === "move_onset" ? [row.new_time_s, event.end_s] : [event.start_s, row.new_time_s];
      if (from !== null && to !== null && to <= from) return "The set would end before it begins.";
    }
    const same = (other) => ["action", "time_s", "event_id"].every((name) => other[name] === row[name]);
    if (decisions.some(same)) return "This decision stands in the list already.";
    return "";
  }

  function fileOf({ signal, time_s }) {
    const files = content.review.files.filter((file) => file.signal === signal);
    return files.find(({ from_s, to_s }) => time_s >= from_s && time_s <= to_s) ?? files[0] ?? content.review.files[0];
  }

  form.addEventListener("submit", (e) => {
    e.preventDefault();
    const row = draft();
    const wrong = fault(row);
    if (wrong) {
      say(wrong);
      return;
    }
    const editor = field("editor").value.trim(), reason = field("reason").value.trim();
    if (!editor || !reason) {
      say(editor ? "Each decision wants a reason." : "Each decision wants the initials of who decides.");
      return;
    }
    const at = new Date();
    const event = content.review.events.find(({ event_id }) => event_id === row.event_id);
    decisions.push({
      ...row, editor, reason,
      edit_id: `${editor}-${at.toISOString().replace(/[-:.]/g, "")}-${decisions.length + 1}`,
      participant_id: content.participant, session_id: content.session,
      event_onset_s: event?.start_s ?? undefined,
      file_sha256: fileOf(row)?.sha256, edited_at: at.toISOString().slice(0, 19),
    });
    field("reason").value = "";
    changed(`Noted: ${told(row)}.`);
  });

  function changed(sentence) {
    remember();
    listDecisions();
    course.repaint();
    say(sentence);
  }

  function undo(n) {
    const [row] = decisions.splice(n, 1);
    changed(`Undone: ${told(row)}.`);
  }

  const label = (action) => [...field("action").options].find(({ value }) => value === action).text.toLowerCase();

  function told({ action, time_s, new_time_s, end_s, event_id }) {
    const event = content.review.events.find((e) => e.event_id === event_id);
    const parts = [label(action)];
    if (event) parts.push(event.name);
    if (time_s !== undefined) parts.push(`at ${clock(time_s, 3)}`);
    if (end_s !== undefined) parts.push(`to ${clock(end_s, 3)}`);
    if (new_time_s !== undefined) parts.push(`to ${clock(new_time_s, 3)}`);
    return parts.join(" ");
  }

  function cell(row, text, number) {
    const td = row.insertCell();
    td.textContent = text;
    if (number) td.className = "number";
    return td;
  }

  function listDecisions() {
    const body = byId("decisions");
    body.textContent = "";
    decisions.forEach((decision, n) => {
      const row = body.insertRow();
      cell(row, told(decision));
      cell(row, decision.reason);
      cell(row, decision.editor);
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = "undo";
      button.setAttribute("aria-label", `Undo: ${told(decision)}`);
      button.addEventListener("click", () => undo(n));
      row.insertCell().append(button);
    });
    byId("decided").hidden = decisions.length === 0;
    byId("decided_count").textContent = decisions.length === 1 ? "One decision" : `${decisions.length} decisions`;
    showEffects();
  }

  // Served, the page asks the workflow, which judges beats near a decision anew; alone it forms the
  // intervals of the beats that it was given
  async function showEffects() {
    tabulate(effects(decisions).map(({ name, was, is }) =>
      [name, ...[was.bpm, is.bpm, was.rmssd, is.rmssd].map(shown)]));
    byId("effect_caution").hidden = !uncertain(decisions);
    if (!server || content.hidden || !decisions.length) return;
    const asked = table();
    const answer = await send("effects", asked);
    if (asked !== table()) return; // another decision came meanwhile
    const text = await answer.text();
    if (answer.ok) {
      tabulate(JSON.parse(text));
      byId("effect_caution").hidden = true;
    }
    byId("effect").dataset.by = answer.ok ? "workflow" : "page";
    if (!answer.ok) say(`The workflow cannot carry this out: ${text}`);
  }

  function tabulate(changes) {
    const body = byId("effects");
    body.textContent = "";
    for (const [name, ...values] of changes) {
      const row = body.insertRow();
      cell(row, name);
      for (const value of values) cell(row, value, true);
    }
    byId("effect").hidden = !changes.length;
  }

  // ---- by hand at the panels --------------------------------------------------------------------

  function nearestBeat(time, reach) {
    const rows = decided(decisions).filter(({ kind }) => kind !== "missed");
    const near = rows.reduce((a, b) => (a && Math.abs(a.time - time) <= Math.abs(b.time - time) ? a : b), null);
    return near && Math.abs(near.time - time) <= reach ? near : null;
  }

  const open = () => !byId("review").hidden;

  course.clicked = (panel, time, pixel_s) => {
    if (!open()) return false;
    const action = chosen();
    if (action === "move_onset" || action === "move_offset") {
      choose(action, { new_time_s: time });
    } else if (panel === "ecg" || panel === "heart_rate") {
      const beat = nearestBeat(time, Math.max(12 * pixel_s, 0.02));
      if (action === "move_beat" && Number.isFinite(numberIn("time_s"))) choose(action, { new_time_s: course.peakNear(time) });
      else if (beat) choose(action === "move_beat" ? action : "remove_beat", { time_s: beat.time });
      else if (panel === "ecg") choose("add_beat", { time_s: course.peakNear(time) });
      else return false;
    } else if (panel === "events") {
      const event = content.review.events.find(({ start_s, end_s }) => time >= start_s && time <= end_s);
      if (!event) return false;
      choose("exclude_event", { event_id: event.event_id });
    } else return false;
    field("reason").focus({ preventScroll: true });
    return true;
  };

  course.dragged = (panel, from, to) => {
    if (!open() || !["exclude_span", "accept_span"].includes(chosen())) return false;
    if (chosen() === "exclude_span") {
      choose("exclude_span", { time_s: from, end_s: to, signal: PANEL_SIGNALS[panel] ?? heartSignal });
    } else {
      // whole spans in doubt, as the workflow judges them
      const met = content.spans.filter(([begin, end]) => begin < to && end > from);
      choose("accept_span", {
        time_s: Math.min(from, ...met.map(([begin]) => begin)), end_s: Math.max(to, ...met.map(([, end]) => end)),
      });
    }
    field("reason").focus({ preventScroll: true });
    return true;
  };

  course.overlays.push((u, panel) => {
    if (!open()) return;
    const heart = panel === "ecg" || panel === "heart_rate";
    const row = draft();
    for (const [decision, colour] of [...decisions.map((d) => [d, "#b0003a"]), [row, "#d08a00"]]) {
      const { action, time_s, new_time_s, end_s, signal } = decision;
      if (action.endsWith("_span") && (signal === "muscle_oxygen" ? panel === "saturation" : heart)) {
        course.hatch(u, time_s, end_s, colour);
      } else if (action.endsWith("_beat") && heart) {
        if (action !== "add_beat") course.mark(u, "✕", time_s, colour);
        if (action !== "remove_beat") course.mark(u, "★", action === "add_beat" ? time_s : new_time_s, colour);
      } else if (action === "move_onset" || action === "move_offset") {
        course.upright(u, new_time_s, colour);
      }
    }
  });

  // ---- giving them out --------------------------------------------------------------------------

  const plain = (value) => (value === undefined || value === null || Number.isNaN(value) ? "n/a"
    : String(value).replace(/[\t\r\n]+/g, " ").trim() || "n/a");

  function table() {
    return [COLUMNS, ...decisions.map((row) => COLUMNS.map((name) => plain(row[name])))]
      .map((cells) => `${cells.join("\t")}\n`).join("");
  }

  // beats that have a true one within 50 ms, and what is left of false and missed ones
  function judged(rows) {
    const truth = content.practice.truth_s;
    const beats = rows.filter(({ used }) => used).map(({ place }) => place);
    const near = (time, others) => others.some((other) => Math.abs(other - time) <= 0.05);
    return { wrong: beats.filter((time) => !near(time, truth)), missed: truth.filter((time) => !near(time, beats)) };
  }

  function compare() {
    const was = judged(seen), is = judged(decided(decisions));
    const count = ({ wrong, missed }) => `${wrong.length} wrong and ${missed.length} missed`;
    const left = [...is.wrong, ...is.missed].sort((a, b) => a - b).map((time) => clock(time, 2));
    say(`Of ${content.practice.truth_s.length} true beats: before, ${count(was)}; with your decisions, ${count(is)}. `
      + (left.length ? `Look again at ${left.join(", ")}.` : "All are right."));
  }

  const send = (what, body) => fetch(server.content + what, {
    method: "POST", body, headers: { "X-Review-Token": server.dataset.token },
  }).catch((error) => ({ ok: false, text: async () => String(error) }));

  async function save() {
    if (content.practice) {
      compare();
      return;
    }
    if (!server) {
      const name = `edits_${content.participant}_${content.session}.tsv`;
      course.save(name, new Blob([table()], { type: "text/tab-separated-values" }));
      saved = decisions.length;
      say("Saved as a file. Put its rows below those of edits.tsv in the study folder and run the workflow again.");
      return;
    }
    const answer = await send("decisions", table());
    const sentence = await answer.text();
    if (answer.ok) decisions = [];
    changed(answer.ok ? sentence : `Not saved: ${sentence}`);
  }

  function remembered() {
    try {
      return JSON.parse(localStorage.getItem(place) ?? "[]");
    } catch {
      return [];
    }
  }

  function remember() {
    try {
      localStorage.setItem(place, JSON.stringify(decisions));
    } catch {
      // a browser that keeps nothing for files keeps the list as long as the page is open
    }
  }

  addEventListener("beforeunload", (e) => {
    if (decisions.length > saved && !localStorage.getItem(place)) e.preventDefault();
  });

  // ---- the page ---------------------------------------------------------------------------------

  for (const { event_id, name } of content.review.events) {
    field("event_id").append(new Option(name, event_id));
  }
  for (const signal of new Set(content.review.files.map(({ signal }) => signal))) {
    if (signal === heartSignal || signal === "muscle_oxygen") {
      field("signal").append(new Option({ ecg: "ECG", rr: "beat intervals", muscle_oxygen: "saturation" }[signal], signal));
    }
  }
  for (const option of [...field("action").options]) {
    const needs = NEEDS[option.value];
    if (needs.includes("event_id") && !content.review.events.length) option.remove();
    if (content.hidden && !needs.length) option.remove(); // nobody leaves out an unknown person
    if ((option.value.endsWith("_beat") || option.value === "accept_span") && !course.beatsShown) option.remove();
    if (needs.includes("signal") && !field("signal").options.length) option.remove();
  }
  field("action").addEventListener("change", showFields);
  form.addEventListener("input", () => course.repaint());
  byId("save").addEventListener("click", save);
  if (content.practice) byId("save").textContent = "Compare with the truth";
  byId("review_toggle").hidden = false;
  byId("review_toggle").addEventListener("click", () => {
    byId("review").hidden = open();
    byId("review_toggle").setAttribute("aria-expanded", String(open()));
    showFields();
  });
  if (decisions.length || location.hash === "#review") byId("review_toggle").click();
  showFields();
  listDecisions();
});
