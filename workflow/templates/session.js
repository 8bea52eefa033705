"use strict";
// Draws the course of one session. Numbers come packed in the page; uPlot gives axes, grid and
// cursor, the lines are drawn here, so that each keeps its own times and its own rate.
(async () => {
  const began = performance.now();
  const byId = (id) => document.getElementById(id);
  const content = JSON.parse(unpacked.content);
  fillOutcomesWhenOpened();
  const bytes = await unpacked(byId("arrays").textContent.trim());

  const INK = "#1c2a33";
  const COLOURS = ["#000000", "#b84a00", "#004488", "#117733", "#882255", "#666666"];
  const SENSOR_MARKS = ["●", "■", "▲", "◇", "★", "○"];
  const BEAT_MARKS = {
    normal: ["▾", "#2b6a4d"], ectopic: ["◆", "#b84a00"], missed: ["+", "#882255"],
    extra: ["Y", "#666666"], misplaced: ["|", "#004488"], added: ["★", "#8a6a00"],
    removed: ["✕", "#000000"],
  };
  const VERDICT_COLOURS = ["#4f8a6c", "#e0b040", "#b9bdbd", "#ffffff"];
  const SPAN_COLOURS = { doubtful: "#e0b040", rejected: "#9aa0a0" };
  const CLOSE_S = 180; // under this the scales follow what is in view
  const NARROWEST_S = 0.5;
  const LONGEST_STEP_S = 3.0; // intervals further apart than this do not follow each other
  const FONT = '"Avenir Next", "Segoe UI", "Noto Sans", sans-serif';
  const [FIRST_S, LAST_S] = content.limits_s;
  const view = { from: FIRST_S, to: LAST_S };

  // ---- numbers -------------------------------------------------------------------------------

  function numbersOf(packed) {
    if (packed instanceof Float64Array) return packed;
    const { at, n, first, quantum, gaps, low_bits: lowBits } = packed;
    const planeLength = Math.ceil(n / 8);
    const values = new Float64Array(n);
    // a quantum below 1 as a divisor keeps 0.1 at 0.1
    const divisor = Math.round(1 / quantum);
    const exact = Math.abs(divisor * quantum - 1) < 1e-9;
    let steps = first;
    for (let i = 0; i < n; i++) {
      let difference = ((bytes[at + i] << 24) >> 24) << lowBits;
      for (let bit = 0, plane = at + n + (i >> 3); bit < lowBits; bit++, plane += planeLength) {
        difference |= ((bytes[plane] >> (7 - (i & 7))) & 1) << bit;
      }
      steps += difference;
      values[i] = exact ? steps / divisor : steps * quantum;
    }
    for (let i = 0; i < gaps.length; i += 2) values.fill(NaN, gaps[i], gaps[i] + gaps[i + 1]);
    return values;
  }

  class Line {
    // a course with its times, and the lowest and highest of 16, 256, 4096 values made once
    constructor({ name, time, value, unit }) {
      this.name = name;
      this.unit = unit;
      this.even = time.step_s ? time : null;
      this.time = this.even ? null : numbersOf(time);
      this.value = numbersOf(value);
      this.n = this.value.length;
      this.levels = [];
      let low = this.value, high = this.value;
      for (let size = 16; size * 8 < this.n; size *= 16) {
        const count = Math.floor(low.length / 16);
        const lower = new Float32Array(count), higher = new Float32Array(count);
        for (let block = 0; block < count; block++) {
          let least = Infinity, most = -Infinity;
          for (let i = 16 * block; i < 16 * block + 16; i++) {
            if (low[i] < least) least = low[i];
            if (high[i] > most) most = high[i];
          }
          lower[block] = least;
          higher[block] = most;
        }
        this.levels.unshift({ size, low: lower, high: higher });
        low = lower;
        high = higher;
      }
    }

    timeOf(i) {
      return this.even ? this.even.start_s + i * this.even.step_s : this.time[i];
    }

    // the first sample at or after a moment
    indexAt(moment) {
      if (this.even) {
        const i = Math.ceil((moment - this.even.start_s) / this.even.step_s - 1e-6);
        return Math.min(this.n, Math.max(0, i));
      }
      let low = 0, high = this.n;
      while (low < high) {
        const middle = (low + high) >> 1;
        if (this.time[middle] < moment) low = middle + 1;
        else high = middle;
      }
      return low;
    }

    // lowest and highest of the samples from..until
    extent(from, until) {
      let least = Infinity, most = -Infinity, i = from;
      while (i < until) {
        const level = this.levels.find(({ size, low }) =>
          i % size === 0 && i + size <= until && i / size < low.length);
        const [lows, highs, at, size] = level
          ? [level.low, level.high, i / level.size, level.size] : [this.value, this.value, i, 1];
        if (lows[at] < least) least = lows[at];
        if (highs[at] > most) most = highs[at];
        i += size;
      }
      return [least, most];
    }

    // the sample nearest to a moment, -1 where none is near
    nearest(moment, reach) {
      let i = this.indexAt(moment);
      if (i > 0 && (i === this.n || moment - this.timeOf(i - 1) < this.timeOf(i) - moment)) i--;
      return i < this.n && Math.abs(this.timeOf(i) - moment) <= reach ? i : -1;
    }

    near(moment, reach) {
      const i = this.nearest(moment, reach);
      return i < 0 ? NaN : this.value[i];
    }
  }

  function extentInView(lines) {
    let least = Infinity, most = -Infinity;
    for (const line of lines) {
      const [low, high] = line.extent(line.indexAt(view.from), line.indexAt(view.to));
      least = Math.min(least, low);
      most = Math.max(most, high);
    }
    return [least, most];
  }

  function padded([low, high], narrowest) {
    if (!(high >= low)) return null;
    const space = Math.max(0.12 * (high - low), (narrowest - (high - low)) / 2, 1e-9);
    return [low - space, high + space];
  }

  // ---- drawing -------------------------------------------------------------------------------

  const ratio = () => window.devicePixelRatio || 1;
  const xOf = (u, t) => u.bbox.left + ((t - view.from) * u.bbox.width) / (view.to - view.from);
  const yOf = (u, v) => u.bbox.top
    + ((u.scales.y.max - v) * u.bbox.height) / (u.scales.y.max - u.scales.y.min);

  function drawLine(u, line, colour, width) {
    const { ctx, bbox } = u;
    const from = Math.max(0, line.indexAt(view.from) - 1);
    const until = Math.min(line.n, line.indexAt(view.to) + 2);
    if (until <= from) return;
    if (until - from > 3 * bbox.width) {
      drawColumns(u, line, colour, Math.max(1, Math.round(width * ratio())), from, until);
      return;
    }
    ctx.beginPath();
    ctx.strokeStyle = colour;
    ctx.lineWidth = width * ratio();
    ctx.lineJoin = "round";
    let drawing = false;
    for (let i = from; i < until; i++) {
      const value = line.value[i];
      if (Number.isNaN(value)) { drawing = false; continue; }
      const x = xOf(u, line.timeOf(i)), y = yOf(u, value);
      if (drawing) ctx.lineTo(x, y);
      else ctx.moveTo(x, y);
      drawing = true;
    }
    ctx.stroke();
    const apart = (u.bbox.width * (line.timeOf(until - 1) - line.timeOf(from)))
      / ((view.to - view.from) * Math.max(1, until - from));
    if (apart > 7 * ratio()) {
      ctx.fillStyle = colour;
      for (let i = from; i < until; i++) {
        if (!Number.isNaN(line.value[i])) {
          ctx.fillRect(xOf(u, line.timeOf(i)) - 1.5 * ratio(), yOf(u, line.value[i]) - 1.5 * ratio(), 3 * ratio(), 3 * ratio());
        }
      }
    }
  }

  // one upright stroke for each column of pixels, from the lowest to the highest value in it and to
  // the column before; whole pixels, which a browser fills ten times as fast as it draws a path
  function drawColumns(u, line, colour, thick, from, until) {
    const { ctx, bbox } = u;
    const column = (view.to - view.from) / bbox.width;
    ctx.fillStyle = colour;
    let begin = from, above = NaN, below = NaN;
    for (let x = 0; x <= bbox.width && begin < until; x++) {
      const end = Math.min(until, line.indexAt(view.from + (x + 1) * column));
      if (end === begin) continue;
      const [low, high] = line.extent(begin, end);
      begin = end;
      if (high < low) { above = below = NaN; continue; }
      const top = Math.round(yOf(u, high)), bottom = Math.round(yOf(u, low)) + thick;
      const [upper, lower] = [Math.min(top, below || top), Math.max(bottom, above || bottom)];
      ctx.fillRect(Math.round(bbox.left) + x, upper, thick, lower - upper);
      [above, below] = [top, bottom];
    }
  }

  function glyph(u, text, x, y, colour, size) {
    const { ctx } = u;
    ctx.font = `${size * ratio()}px ${FONT}`;
    ctx.textAlign = "center";
    ctx.textBaseline = "middle";
    ctx.fillStyle = colour;
    ctx.fillText(text, x, y);
  }

  // marks along a line, so that lines are told apart without colour
  function drawMarks(u, line, n, colour) {
    const spacing = 110 * ratio();
    for (let x = (18 + 26 * (n % 4)) * ratio(); x < u.bbox.width; x += spacing) {
      const moment = view.from + (x / u.bbox.width) * (view.to - view.from);
      const i = line.nearest(moment, (3 * (view.to - view.from)) / u.bbox.width + 1);
      if (i >= 0 && !Number.isNaN(line.value[i])) {
        glyph(u, SENSOR_MARKS[n % SENSOR_MARKS.length], xOf(u, line.timeOf(i)), yOf(u, line.value[i]), colour, 10);
      }
    }
  }

  function box(u, from, to, low, high) {
    const left = Math.max(u.bbox.left, xOf(u, from));
    const right = Math.min(u.bbox.left + u.bbox.width, xOf(u, to));
    const top = yOf(u, high), bottom = yOf(u, low);
    return right > left ? [left, top, Math.max(1, right - left), bottom - top] : null;
  }

  const patterns = {};
  function pattern(ctx, kind, back, front) {
    const crossed = kind === "crossed";
    if (ctx instanceof VectorSheet) return ctx.hatching(crossed, back, front, ratio());
    const key = `${kind}${back}${front}${ratio()}`;
    if (!patterns[key]) {
      const side = Math.round(7 * ratio());
      const tile = document.createElement("canvas");
      tile.width = tile.height = side;
      const brush = tile.getContext("2d");
      if (back) {
        brush.fillStyle = back;
        brush.fillRect(0, 0, side, side);
      }
      brush.strokeStyle = front;
      brush.lineWidth = ratio();
      brush.beginPath();
      for (const shift of [-side, 0, side]) {
        brush.moveTo(shift, side);
        brush.lineTo(shift + side, 0);
        if (crossed) {
          brush.moveTo(shift, 0);
          brush.lineTo(shift + side, side);
        }
      }
      brush.stroke();
      patterns[key] = ctx.createPattern(tile, "repeat");
    }
    return patterns[key];
  }

  const verdictFill = (ctx, n) => [
    VERDICT_COLOURS[0],
    pattern(ctx, "striped", VERDICT_COLOURS[1], "#6b4d00"),
    pattern(ctx, "crossed", VERDICT_COLOURS[2], "#5a6163"),
    VERDICT_COLOURS[3],
  ][n];

  const sets = content.events.filter((e) => e.kind === "set" && e.start_s !== null);

  function shadeSets(u) {
    for (const { start_s, end_s } of sets) {
      const { ctx, bbox } = u;
      if (end_s === null) {
        const x = xOf(u, start_s);
        if (x < bbox.left || x > bbox.left + bbox.width) continue;
        ctx.strokeStyle = "#777777";
        ctx.lineWidth = ratio();
        ctx.setLineDash([4 * ratio(), 3 * ratio()]);
        ctx.beginPath();
        ctx.moveTo(x, bbox.top);
        ctx.lineTo(x, bbox.top + bbox.height);
        ctx.stroke();
        ctx.setLineDash([]);
        continue;
      }
      const area = box(u, start_s, end_s, u.scales.y.min, u.scales.y.max);
      if (area) {
        ctx.fillStyle = "#e9edea";
        ctx.fillRect(...area);
      }
    }
  }

  // ---- times in words ------------------------------------------------------------------------

  function clock(seconds, digits) {
    const sign = seconds < 0 ? "−" : "";
    const whole = Math.abs(seconds).toFixed(digits);
    const minutes = Math.floor(whole / 60);
    const rest = (whole - 60 * minutes).toFixed(digits);
    return `${sign}${minutes}:${rest.padStart(digits ? digits + 3 : 2, "0")}`;
  }

  const digitsFor = (step) => (step >= 1 ? 0 : step >= 0.1 ? 1 : 2);

  // ---- panels --------------------------------------------------------------------------------

  const noted = content.pressure.noted_time_s.map((t, i) => [t, content.pressure.noted_mmhg[i]]);
  const cuffs = content.pressure.recorded.map((line) => new Line(line));
  const saturation = content.saturation.map((line) => new Line(line));
  const haemoglobin = content.haemoglobin.map((line) => new Line(line));
  const breathing = content.breathing && new Line(content.breathing);
  const ecg = content.ecg.map((line) => new Line(line));
  const beatTimes = numbersOf(content.beats.time);
  const beatKind = (n) => content.beats.kinds[bytes[content.beats.kind.at + n]];
  const odd = content.beats.odd.map((n, i) => ({ t: beatTimes[n], kind: beatKind(n), reason: content.beats.reasons[i] }))
    .sort((a, b) => a.t - b.t);
  const beatRows = rowsOfBeats(content.beats);
  const rate = content.heart_rate && new Line({ name: "heart rate", ...courseOfRate() });
  const colourOf = (n) => COLOURS[n % COLOURS.length];
  const close = () => view.to - view.from <= CLOSE_S;

  // every beat seen or put in: its place in the repaired series, and whether it belongs to it
  function rowsOfBeats({ moved, unused, starts }) {
    const rows = Array.from(beatTimes, (time, n) => {
      const kind = beatKind(n);
      const hand = kind === "added" || kind === "removed";
      return { time, place: time, kind, hand, used: true, starts: false };
    });
    for (const [n, place] of moved) rows[n].place = place;
    for (const n of unused) rows[n].used = false;
    for (const n of starts) rows[n].starts = true;
    return rows.sort((a, b) => a.place - b.place);
  }

  // rate of every interval of the repaired series, without a line across gaps
  function courseOfRate() {
    const used = beatRows.filter((row) => row.used);
    const ends = used.filter((row, n) => n > 0 && !row.starts);
    const lengths = used.map((row, n) => row.place - (used[n - 1]?.place ?? NaN)).filter((_, n) => n > 0 && !used[n].starts);
    const broken = (n) => n > 0 && ends[n].place - ends[n - 1].place > LONGEST_STEP_S;
    return {
      time: Float64Array.from(ends, ({ place }) => place),
      value: Float64Array.from(lengths, (length, n) => (broken(n) ? NaN : 60 / length)),
    };
  }

  function notedAt(moment) {
    let value = null;
    for (const [t, v] of noted) {
      if (t > moment) break;
      value = v;
    }
    return value;
  }

  const inUnknown = (t) => content.pressure.unknown.some(([a, b]) => t >= a && t < b);

  function drawNoted(u) {
    const { ctx } = u;
    for (const [from, to] of content.pressure.unknown) {
      const area = box(u, from, to, u.scales.y.min, u.scales.y.max);
      if (area) {
        ctx.fillStyle = pattern(ctx, "striped", "", "#8a9296");
        ctx.fillRect(...area);
      }
    }
    ctx.beginPath();
    ctx.strokeStyle = INK;
    ctx.lineWidth = 2 * ratio();
    let drawing = false;
    for (const [t, v] of [...noted, [LAST_S, noted.length ? noted[noted.length - 1][1] : null]]) {
      if (v === null) { drawing = false; continue; }
      const x = Math.min(Math.max(xOf(u, t), -1e5), 1e5);
      if (drawing) ctx.lineTo(x, yOf(u, v));
      else ctx.moveTo(x, yOf(u, v));
      drawing = true;
    }
    ctx.stroke();
    cuffs.forEach((line, n) => drawLine(u, line, colourOf(n + 1), 0.9));
  }

  function drawBand(u) {
    shadeSets(u);
    const { ctx } = u;
    for (const { start_s, end_s } of sets) {
      const area = end_s !== null && box(u, start_s, end_s, ...content.band_pct);
      if (area) {
        ctx.fillStyle = "#f0c9b8";
        ctx.fillRect(...area);
        ctx.strokeStyle = "#a05030";
        ctx.lineWidth = ratio();
        ctx.strokeRect(...area);
      }
    }
  }

  function drawSensors(u, lines, refused) {
    lines.forEach((line, n) => drawLine(u, line, colourOf(n), 1.2));
    lines.forEach((line, n) => drawMarks(u, line, n, colourOf(n)));
    if (!refused) return;
    for (const [t, v] of content.nadirs) {
      if (t >= view.from && t <= view.to) glyph(u, "▼", xOf(u, t), yOf(u, v) - 6 * ratio(), "#000", 10);
    }
    if (close()) {
      for (const [n, moments] of content.ripples) drawRipple(u, lines[n], moments, colourOf(n));
    }
  }

  function drawRipple(u, line, moments, colour) {
    const { ctx } = u;
    ctx.strokeStyle = colour;
    ctx.lineWidth = 1.6 * ratio();
    ctx.beginPath();
    for (const t of moments) {
      const v = line.near(t, 2);
      if (t < view.from || t > view.to || Number.isNaN(v)) continue;
      ctx.moveTo(xOf(u, t), yOf(u, v) + 5 * ratio());
      ctx.lineTo(xOf(u, t), yOf(u, v) + 14 * ratio());
    }
    ctx.stroke();
  }

  function drawHeart(u) {
    if (rate) drawLine(u, rate, INK, 1);
    const y = u.bbox.top + u.bbox.height - 7 * ratio();
    for (const { t, kind } of odd) {
      if (t >= view.from && t <= view.to) glyph(u, BEAT_MARKS[kind][0], xOf(u, t), y, BEAT_MARKS[kind][1], 11);
    }
  }

  const maps = content.map.map(({ limits_s, top_hz, columns, rows, shade }) => {
    const canvas = document.createElement("canvas");
    canvas.width = columns;
    canvas.height = rows;
    const brush = canvas.getContext("2d");
    const picture = brush.createImageData(columns, rows);
    for (let column = 0, i = shade.at; column < columns; column++) {
      // each shade as its difference from the one above, of 64
      for (let row = 0, step = 0; row < rows; row++, i++) {
        step = (step + bytes[i]) & 63;
        const grey = 255 - step * 3.68;
        picture.data.set([grey, grey, grey, 255], 4 * (row * columns + column));
      }
    }
    brush.putImageData(picture, 0, 0);
    return { limits_s, top_hz, canvas, picture };
  });

  function drawMap(u) {
    for (const { limits_s: [from, to], top_hz, canvas, picture } of maps) {
      const left = xOf(u, from), top = yOf(u, top_hz);
      const area = [left, top, xOf(u, to) - left, yOf(u, 0) - top];
      if (u.ctx instanceof VectorSheet) u.ctx.drawShades(picture, ...area);
      else u.ctx.drawImage(canvas, ...area);
    }
  }

  function drawBreathing(u) {
    if (breathing) drawLine(u, breathing, "#1b66c9", 1.6);
    const { ctx } = u;
    ctx.strokeStyle = "#d05a00";
    ctx.lineWidth = 4 * ratio();
    for (const [from, to, hz] of content.repetitions) {
      ctx.beginPath();
      ctx.moveTo(xOf(u, from), yOf(u, hz));
      ctx.lineTo(xOf(u, to), yOf(u, hz));
      ctx.stroke();
    }
  }

  const FAMILIES = [
    "heart rate", "heart period", "spectrum", "breathing", "saturation", "contraction",
  ];
  const refused = saturation.flatMap((line, n) =>
    content.saturation[n].refused.map(([from, to, reason]) => ({ from, to, reason: `${line.name}: ${reason}` })));
  const verdictLanes = [...FAMILIES];
  if (content.spans.length) verdictLanes.push("heart spans");
  if (refused.length) verdictLanes.push("readings");

  function drawVerdicts(u) {
    const { ctx } = u;
    for (const [lane, from, to, , counts] of content.shares) {
      const all = counts.reduce((a, b) => a + b, 0);
      let low = verdictLanes.length - 1 - lane - 0.4;
      counts.forEach((count, n) => {
        const high = low + (0.8 * count) / all;
        const area = count && box(u, from, to, low, high);
        if (area) {
          ctx.fillStyle = verdictFill(ctx, n);
          ctx.fillRect(...area);
          if (n === 3) {
            ctx.strokeStyle = "#8a9296";
            ctx.lineWidth = ratio();
            ctx.strokeRect(...area);
          }
        }
        low = high;
      });
    }
    const stroke = (lane, from, to, fill) => {
      const y = verdictLanes.length - 1 - verdictLanes.indexOf(lane);
      const area = box(u, from, Math.max(to, from + (view.to - view.from) / 600), y - 0.4, y + 0.4);
      if (area) {
        ctx.fillStyle = fill;
        ctx.fillRect(...area);
      }
    };
    for (const [from, to, verdict] of content.spans) {
      stroke("heart spans", from, to, verdict === "rejected"
        ? verdictFill(ctx, 2) : verdictFill(ctx, 1));
    }
    for (const { from, to } of refused) stroke("readings", from, to, verdictFill(ctx, 2));
  }

  function drawEcg(u) {
    for (const line of ecg) drawLine(u, line, INK, 0.9);
    const [first, last] = [indexOfBeat(view.from), indexOfBeat(view.to)];
    const y = u.bbox.top + 8 * ratio();
    const few = last - first <= u.bbox.width / (9 * ratio());
    for (let n = first; n < last; n++) {
      const kind = beatKind(n);
      if (few || kind !== "normal") {
        glyph(u, BEAT_MARKS[kind][0], xOf(u, beatTimes[n]), y, BEAT_MARKS[kind][1], 12);
      }
    }
  }

  function indexOfBeat(moment) {
    let low = 0, high = beatTimes.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (beatTimes[middle] < moment) low = middle + 1;
      else high = middle;
    }
    return low;
  }

  const EVENT_LANES = { set: 1, cuff: 0 };
  const laneOf = (event) => EVENT_LANES[event.kind] ?? 3;

  // sets of one exercise that follow each other
  const exercises = [];
  for (const { name, start_s, end_s } of sets) {
    const exercise = name.replace(/, bout .*/, "");
    const last = exercises[exercises.length - 1];
    if (last?.exercise === exercise) last.to = end_s ?? start_s;
    else exercises.push({ exercise, from: start_s, to: end_s ?? start_s });
  }

  function drawEvents(u) {
    const { ctx } = u;
    const colours = ["#dfe5ee", "#c5ddd6", "", "#f2eee2"];
    for (const event of content.events) {
      if (event.start_s === null) continue;
      const lane = laneOf(event);
      const area = box(u, event.start_s, event.end_s ?? event.start_s, lane - 0.42, lane + 0.42);
      if (!area || event.end_s === event.start_s || event.end_s === null) {
        const x = xOf(u, event.start_s);
        if (x < u.bbox.left - 1 || x > u.bbox.left + u.bbox.width + 1) continue;
        ctx.fillStyle = INK;
        ctx.fillRect(x, yOf(u, lane + 0.42), 1.5 * ratio(), yOf(u, lane - 0.42) - yOf(u, lane + 0.42));
        const name = event.end_s === null ? `${event.name}, end unknown` : event.name;
        label(u, [x + 2 * ratio(), yOf(u, lane + 0.42), 90 * ratio(), 0], [name], lane, "left", view.to - view.from < 600);
        continue;
      }
      ctx.fillStyle = colours[lane];
      ctx.fillRect(...area);
      ctx.strokeStyle = "#7d8c8a";
      ctx.lineWidth = ratio();
      ctx.strokeRect(...area);
      const condition = event.condition ? `, ${event.condition}` : "";
      const numbered = event.name.replace(/, bout /, " ");
      const names = lane === 1
        ? [event.name + condition, numbered + condition, numbered, event.name.replace(/.*bout /, "")]
        : lane === 0 ? [`cuff, ${event.facts[0]}`, event.facts[0].replace(/ mmHg noted/, "")] : [event.name];
      label(u, area, names, lane, "center", true);
    }
  }

  // exercises over their sets, as far as these are in view
  function drawExercises(u) {
    exercises.forEach(({ exercise, from, to }, n) => {
      const left = Math.max(xOf(u, from), u.bbox.left);
      const right = Math.min(xOf(u, to), u.bbox.left + u.bbox.width);
      if (right < left) return;
      const before = n ? xOf(u, (exercises[n - 1].to + from) / 2) : u.bbox.left;
      const after = n + 1 < exercises.length ? xOf(u, (to + exercises[n + 1].from) / 2) : u.bbox.left + u.bbox.width;
      const room = Math.min((left + right) / 2 - before, after - (left + right) / 2);
      label(u, [(left + right) / 2 - room, 0, 2 * room], [exercise, exercise.slice(0, 9) + "…"], 2, "center", true);
    });
  }

  // the longest of some names that fits into a box
  function label(u, [left, , width], names, lane, align, wanted) {
    if (!wanted) return;
    const { ctx } = u;
    ctx.font = `${11 * ratio()}px ${FONT}`;
    const name = names.find((text) => ctx.measureText(text).width < width - 4 * ratio());
    if (name === undefined) return;
    ctx.textAlign = align;
    ctx.textBaseline = "middle";
    ctx.fillStyle = INK;
    ctx.fillText(name, align === "left" ? left + ratio() : left + width / 2, yOf(u, lane));
  }

  const line = (name, colour, mark = "—") => ({ name, colour, mark });
  const lanes = (names) => ({
    splits: () => names.map((_, i) => i),
    values: () => [...names].reverse(),
    range: () => [-0.5, names.length - 0.5],
  });
  const oddKinds = [...new Set(odd.map(({ kind }) => kind))];
  const kindKeys = oddKinds.map((kind) => line(kind, BEAT_MARKS[kind][1], BEAT_MARKS[kind][0]));
  const sensorKeys = (lines) => lines.map((l, n) => line(l.name, colourOf(n), SENSOR_MARKS[n % SENSOR_MARKS.length]));

  const PANELS = [
    {
      id: "events", title: "Events", height: 112, fixed: true, axis: true,
      ...lanes(["other", "exercise", "set", "cuff"]), front: (u) => { drawEvents(u); drawExercises(u); }, full: content.events.length > 0,
      empty: "The session sheet has no event of this session.",
    },
    {
      id: "pressure", title: "Cuff pressure (mmHg)", height: 92, back: shadeSets, front: drawNoted,
      range: () => [-0.04 * content.pressure.highest, 1.12 * content.pressure.highest],
      keys: [line("noted", INK, "▬"), ...cuffs.map((l, n) => line(l.name, colourOf(n + 1)))],
      full: cuffs.length > 0 || content.pressure.noted_mmhg.some((v) => v !== null)
        || content.pressure.unknown.length > 0,
    },
    {
      id: "saturation", title: "Muscle oxygen saturation (%)", height: 210, back: drawBand,
      front: (u) => drawSensors(u, saturation, true),
      range: () => (close() && padded(extentInView(saturation), 4)) || [0, 100],
      keys: [...sensorKeys(saturation), ...(content.nadirs.length ? [line("nadir", "#000", "▼")] : []),
        ...(content.ripples.length ? [line("contraction, close up", INK, "ı")] : []),
        line(`failure band, ${content.band_pct[0]} to ${content.band_pct[1]} %`, "#a05030", "▒")],
      full: content.saturation.some((l) => l.lowest !== null),
    },
    {
      id: "haemoglobin", title: "Haemoglobin", height: 110, back: shadeSets,
      front: (u) => drawSensors(u, haemoglobin, false),
      range: () => (close() && padded(extentInView(haemoglobin), 0)) || wholeRange(haemoglobin),
      keys: sensorKeys(haemoglobin), full: haemoglobin.some((l) => l.n > 0),
      absent: haemoglobin.length === 0,
    },
    {
      id: "heart_rate", title: "Heart rate (per min)", height: 170, back: shadeSets, front: drawHeart,
      range: () => {
        const [low, high] = (rate && close() && padded(extentInView([rate]), 10))
          || (content.heart_rate ? padded(content.heart_rate.range, 20) : [40, 120]);
        return [low - 0.1 * (high - low), high];
      },
      keys: kindKeys, full: beatTimes.length > 0,
    },
    {
      id: "modulation", title: "Modulation of heart rate (Hz)", height: 150, back: drawMap,
      front: drawBreathing, range: () => [0, 0.7],
      keys: [...(breathing ? [line("breathing", "#1b66c9")] : []),
        ...(content.repetitions.length ? [line("repetitions", "#d05a00", "▬")] : [])],
      full: maps.length > 0 || breathing !== null || content.repetitions.length > 0,
    },
    {
      id: "verdicts", title: "Verdicts", height: 26 + 19 * verdictLanes.length, ...lanes(verdictLanes),
      back: shadeSets, front: drawVerdicts,
      keys: [line("ok", VERDICT_COLOURS[0], "■"), line("flagged", "#8a6a00", "▨"),
        line("refused", "#5a6163", "▩"), line("missing", "#5a6163", "□")],
      full: content.shares.length + content.spans.length + refused.length > 0,
      empty: "No window of this session has a verdict.",
    },
    {
      id: "ecg", title: ecg.length ? `ECG (${ecg[0].name}, ${ecg[0].unit})` : "ECG", height: 170, axis: true,
      back: shadeSets, front: drawEcg,
      range: () => {
        const [low, high] = padded(extentInView(ecg), 0) || [-1, 1];
        return [low, high + 0.12 * (high - low)];
      },
      full: ecg.length > 0,
    },
  ].filter((panel) => !panel.absent && !content.hidden?.includes(panel.id));

  function wholeRange(lines) {
    let least = Infinity, most = -Infinity;
    for (const l of lines) {
      const [low, high] = l.extent(0, l.n);
      least = Math.min(least, low);
      most = Math.max(most, high);
    }
    return padded([least, most], 0) || [0, 1];
  }

  // ---- view ----------------------------------------------------------------------------------

  let scheduled = 0;

  function setView(from, to) {
    const span = Math.min(Math.max(to - from, NARROWEST_S), LAST_S - FIRST_S);
    const middle = (from + to) / 2;
    view.from = Math.min(Math.max(middle - span / 2, FIRST_S), LAST_S - span);
    view.to = view.from + span;
    if (!scheduled) scheduled = requestAnimationFrame(redraw);
  }

  function redraw() {
    scheduled = 0;
    const start = performance.now();
    for (const panel of PANELS) {
      if (!panel.chart || panel.hidden) continue;
      const [low, high] = panel.range();
      panel.chart.batch(() => {
        panel.chart.setScale("x", { min: view.from, max: view.to });
        panel.chart.setScale("y", { min: low, max: high });
      });
    }
    tell((view.from + view.to) / 2, null, true);
    document.documentElement.dataset.redrawMs = (performance.now() - start).toFixed(1);
  }

  const zoom = (factor, about = (view.from + view.to) / 2) =>
    setView(about - (about - view.from) * factor, about + (view.to - about) * factor);
  const pan = (share) => {
    const shift = share * (view.to - view.from);
    setView(view.from + shift, view.to + shift);
  };
  const whole = () => setView(FIRST_S, LAST_S);
  const around = (moment, reach) => setView(moment - reach, moment + reach);

  function toMarkedBeat(direction) {
    const middle = (view.from + view.to) / 2;
    const wide = view.to - view.from > 30;
    const beyond = direction > 0
      ? odd.find(({ t }) => t > (wide ? view.from : middle + 0.01))
      : odd.findLast(({ t }) => t < (wide ? view.to : middle - 0.01));
    if (beyond) around(beyond.t, 5);
  }

  // ---- what is in view, to keep ----------------------------------------------------------------

  const NAME = `${content.participant} ${content.session}`.trim();

  // the size of what is in view, each panel with the height at which it begins, and below all of
  // them the caution that goes with pressures, which events show as well
  function sheetOfPanels() {
    const heading = 22 * ratio();
    let height = heading;
    const placed = PANELS.filter((panel) => panel.chart && !panel.hidden).map((panel) => {
      const top = height + heading;
      height = top + panel.chart.ctx.canvas.height;
      return { panel, top };
    });
    const width = Math.max(...placed.map(({ panel }) => panel.chart.ctx.canvas.width));
    const caution = PANELS.some(({ id, chart }) => id === "pressure" && chart) ? content.says.pressure : "";
    const foot = linesOf(caution, width - 12 * ratio()).map((text, n) => ({ text, y: height + (n + 0.6) * heading }));
    return { placed, foot, width, height: height + foot.length * heading };
  }

  function linesOf(text, width) {
    const brush = document.createElement("canvas").getContext("2d");
    brush.font = `${11 * ratio()}px ${FONT}`;
    const lines = [];
    for (const word of text.split(" ").filter(Boolean)) {
      const longer = `${lines.at(-1) ?? ""} ${word}`.trim();
      if (lines.length && brush.measureText(longer).width <= width) lines[lines.length - 1] = longer;
      else lines.push(word);
    }
    return lines;
  }

  // whose session it is, which part, over each panel its title and its keys, and the foot
  function drawTexts(surface, { placed, foot }) {
    surface.textAlign = "left";
    surface.textBaseline = "middle";
    surface.fillStyle = INK;
    surface.font = `${13 * ratio()}px ${FONT}`;
    surface.fillText(`${NAME}, ${clock(view.from, 1)} to ${clock(view.to, 1)}`, 6 * ratio(), 12 * ratio());
    for (const { panel, top } of placed) {
      const y = top - 8 * ratio();
      let x = 6 * ratio();
      for (const { mark, name, colour } of [{ name: panel.title, colour: INK }, ...(panel.keys ?? [])]) {
        surface.font = `${(mark ? 11 : 12) * ratio()}px ${FONT}`;
        for (const [text, ink] of [[mark ? `${mark} ` : "", colour], [name, INK]]) {
          surface.fillStyle = ink;
          if (text) surface.fillText(text, x, y);
          x += surface.measureText(text).width;
        }
        x += 14 * ratio();
      }
    }
    surface.fillStyle = INK;
    for (const { text, y } of foot) surface.fillText(text, 6 * ratio(), y);
  }

  // axes and grid, which uPlot draws on its own canvas alone
  function drawAxes(u) {
    const { ctx, bbox: { left, top, width, height } } = u;
    const [bottom, right] = [top + height, left + width];
    u.axes.forEach((axis, n) => {
      axis._splits?.forEach((split, i) => {
        const at = n ? yOf(u, split) : xOf(u, split);
        const strokes = [
          [axis.grid.show, axis.grid, n ? [left, at, right, at] : [at, top, at, bottom]],
          [n || axis.size(u, axis._values, n) > 0, axis.ticks, n ? [left - 4 * ratio(), at, left, at] : [at, bottom, at, bottom + 4 * ratio()]],
        ];
        for (const [shown, { stroke, width: thick }, [x, y, toX, toY]] of strokes) {
          if (!shown) continue;
          ctx.strokeStyle = stroke(u, n);
          ctx.lineWidth = thick * ratio();
          ctx.beginPath();
          ctx.moveTo(x, y);
          ctx.lineTo(toX, toY);
          ctx.stroke();
        }
        ctx.font = `${11 * ratio()}px ${FONT}`;
        ctx.fillStyle = INK;
        ctx.textBaseline = "middle";
        ctx.textAlign = n ? "right" : "center";
        const text = axis._values?.[i];
        if (text) ctx.fillText(text, n ? left - 7 * ratio() : at, n ? at : bottom + 13 * ratio());
      });
    });
  }

  function vectorSheet() {
    const parts = sheetOfPanels();
    const sheet = new VectorSheet(parts.width, parts.height, ratio());
    drawTexts(sheet, parts);
    for (const { panel, top } of parts.placed) {
      const drawn = Object.create(panel.chart, { ctx: { value: sheet } });
      sheet.goTo(top, drawn.bbox);
      panel.back?.(drawn);
      sheet.goTo(top);
      drawAxes(drawn);
      sheet.goTo(top, drawn.bbox);
      panel.front(drawn);
      for (const overlay of course.overlays) overlay(drawn, panel.id);
    }
    return sheet.svg;
  }

  function savePng() {
    const parts = sheetOfPanels();
    const sheet = document.createElement("canvas");
    [sheet.width, sheet.height] = [parts.width, parts.height];
    const brush = sheet.getContext("2d");
    brush.fillStyle = "#ffffff";
    brush.fillRect(0, 0, sheet.width, sheet.height);
    drawTexts(brush, parts);
    for (const { panel, top } of parts.placed) brush.drawImage(panel.chart.ctx.canvas, 0, top);
    sheet.toBlob((blob) => save(`${partInView()}.png`, blob));
  }

  const partInView = () => `${NAME.replace(" ", "_")}_${view.from.toFixed(0)}_${view.to.toFixed(0)}_s`;

  function save(name, blob) {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(blob);
    link.download = name;
    link.click();
  }

  function saveSvg() {
    const text = new XMLSerializer().serializeToString(vectorSheet());
    save(`${partInView()}.svg`, new Blob([text], { type: "image/svg+xml" }));
  }

  // browsers make PDF where they print: what is in view is put on a page of its own
  function printView() {
    const { title } = document;
    byId("sheet").replaceChildren(vectorSheet());
    document.documentElement.classList.add("printing-view");
    document.title = partInView();
    addEventListener("afterprint", () => {
      byId("sheet").replaceChildren();
      document.documentElement.classList.remove("printing-view");
      document.title = title;
    }, { once: true });
    print();
  }

  const DEEDS = {
    png: savePng, svg: saveSvg, pdf: printView,
    whole, closer: () => zoom(0.5), wider: () => zoom(2), earlier: () => pan(-0.25),
    later: () => pan(0.25), beat_before: () => toMarkedBeat(-1), beat_after: () => toMarkedBeat(1),
  };
  const KEYS = {
    ArrowLeft: DEEDS.earlier, ArrowRight: DEEDS.later, "+": DEEDS.closer, "=": DEEDS.closer,
    "-": DEEDS.wider, Home: whole,
  };

  // ---- what stands at one moment ---------------------------------------------------------------

  function tell(moment, panel, middle) {
    const pixel = (view.to - view.from) / Math.max(1, byId("plots").clientWidth - 80);
    const reach = Math.max(2 * pixel, 1.5);
    const parts = [];
    for (const event of content.events) {
      if (event.kind === "cuff" || event.start_s === null || event.end_s === null) continue;
      const near = event.end_s > event.start_s ? 0 : 3 * pixel;
      if (moment >= event.start_s - near && moment < event.end_s + near) {
        parts.push([event.name, event.condition, ...(panel === "events" ? event.facts : [])].filter(Boolean).join(", "));
      }
    }
    if (inUnknown(moment)) parts.push("cuff pressure not noted");
    else if (notedAt(moment) !== null && !content.hidden) parts.push(`cuff ${notedAt(moment)} mmHg noted`);
    for (const l of cuffs) tellLine(parts, l, moment, reach, "mmHg", 1, "recorded");
    for (const l of saturation) tellLine(parts, l, moment, reach, "%", 1);
    for (const l of haemoglobin) tellLine(parts, l, moment, reach, "", 2, `${l.name} haemoglobin`);
    if (rate) tellLine(parts, rate, moment, 3, "per min", 0);
    if (breathing) tellLine(parts, breathing, moment, 2, "Hz", 2);
    for (const { t, kind, reason } of odd) {
      if (Math.abs(t - moment) <= 4 * pixel) parts.push(`beat at ${clock(t, 2)} ${kind}: ${reason}`);
    }
    for (const [from, to, verdict, reason] of content.spans) {
      if (moment >= from && moment < to) parts.push(`span ${verdict}: ${reason}`);
    }
    for (const { from, to, reason } of refused) if (moment >= from && moment <= to) parts.push(reason);
    if (panel === "verdicts") {
      for (const [lane, from, to, window, counts] of content.shares) {
        if (moment >= from && moment < to) {
          const told = counts.map((c, n) => c && `${c} ${content.outcomes.statuses[n]}`).filter(Boolean);
          parts.push(`${FAMILIES[lane]} in ${window}: ${told.join(", ")}`);
        }
      }
    }
    const readout = byId("readout");
    readout.textContent = "";
    const time = document.createElement("b");
    time.textContent = `${middle ? "Middle: " : ""}${clock(moment, 2)} (${moment.toFixed(2)} s)`;
    readout.append(time, parts.length ? ` · ${parts.join(" · ")}` : "");
  }

  function tellLine(parts, l, moment, reach, unit, digits, name = l.name) {
    const value = l.near(moment, reach);
    if (!Number.isNaN(value)) parts.push(`${name} ${value.toFixed(digits)} ${unit}`.trim());
  }

  // ---- the page ------------------------------------------------------------------------------

  const STEPS = [0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1200, 1800, 3600];
  const narrow = () => byId("plots").clientWidth < 600;

  function chartOf(panel) {
    const font = () => `${narrow() ? 10 : 11}px ${FONT}`;
    const axis = {
      stroke: INK, font: font(), grid: { stroke: "#e3e6e4", width: 1 }, ticks: { stroke: "#9aa5a3", size: 4 },
    };
    const clipped = (paint) => (u) => {
      const { left, top, width, height } = u.bbox;
      u.ctx.save();
      u.ctx.beginPath();
      u.ctx.rect(left, top, width, height);
      u.ctx.clip();
      paint(u);
      u.ctx.restore();
    };
    const [low, high] = panel.range();
    return new uPlot(
      {
        width: byId("plots").clientWidth, height: panel.height, padding: [8, 20, panel.axis ? 0 : 4, 0],
        legend: { show: false },
        scales: {
          x: { time: false, range: (u, min, max) => [min, max] },
          y: { auto: false, range: (u, min, max) => [min, max], min: low, max: high },
        },
        axes: [
          {
            ...axis, incrs: STEPS, space: 70, size: panel.axis ? 24 : 0, gap: 2,
            values: (u, splits, _, __, step) => splits.map((t) => (panel.axis ? clock(t, digitsFor(step)) : "")),
          },
          {
            ...axis, size: narrow() ? 62 : 78, gap: 3, space: 26,
            ...(panel.splits ? { splits: panel.splits, values: panel.values, grid: { show: false } } : {}),
          },
        ],
        series: [{}, { scale: "y", paths: () => null, points: { show: false } }],
        cursor: {
          y: false, points: { show: false },
          sync: { key: "session", setSeries: false },
          drag: { x: true, y: false, setScale: false, dist: 4 },
          bind: {
            mousedown: (u, target, select) => (e) => (e.shiftKey ? null : select(e)),
            dblclick: () => () => whole(),
          },
        },
        hooks: {
          drawClear: panel.back ? [clipped(panel.back)] : [],
          draw: [clipped((u) => {
            panel.front(u);
            for (const overlay of course.overlays) overlay(u, panel.id);
          })],
          setSelect: [
            (u) => {
              if (u.select.width < 4) return;
              const from = u.posToVal(u.select.left, "x");
              const to = u.posToVal(u.select.left + u.select.width, "x");
              u.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
              if (!course.dragged(panel.id, from, to)) setView(from, to);
            },
          ],
        },
      },
      [[FIRST_S, LAST_S], [null, null]],
      panel.body,
    );
  }

  function listenTo(panel) {
    const { over } = panel.chart;
    const touches = new Map();
    const timeAt = (x) => view.from + ((x - over.getBoundingClientRect().left) * (view.to - view.from)) / over.clientWidth;
    over.addEventListener("wheel", (e) => {
      e.preventDefault();
      if (Math.abs(e.deltaX) > Math.abs(e.deltaY)) pan(e.deltaX / over.clientWidth);
      else zoom(Math.exp(Math.max(-1, Math.min(1, e.deltaY / 300))), timeAt(e.clientX));
    }, { passive: false });
    over.addEventListener("pointerdown", (e) => {
      byId("plots").focus({ preventScroll: true });
      if (e.pointerType === "mouse" && !e.shiftKey) return;
      touches.set(e.pointerId, e.clientX);
      over.setPointerCapture(e.pointerId);
    });
    over.addEventListener("pointermove", (e) => {
      if (!touches.has(e.pointerId)) {
        tell(timeAt(e.clientX), panel.id, false);
        return;
      }
      const before = [...touches.values()];
      touches.set(e.pointerId, e.clientX);
      const now = [...touches.values()];
      const span = view.to - view.from;
      if (now.length === 1) {
        pan((before[0] - now[0]) / over.clientWidth);
      } else if (Math.abs(now[0] - now[1]) > 10) {
        zoom(Math.abs(before[0] - before[1]) / Math.abs(now[0] - now[1]), timeAt((now[0] + now[1]) / 2));
        if (view.to - view.from === span) return;
      }
    });
    for (const end of ["pointerup", "pointercancel"]) {
      over.addEventListener(end, (e) => touches.delete(e.pointerId));
    }
    over.addEventListener("click", (e) => {
      const pixel_s = (view.to - view.from) / over.clientWidth;
      course.clicked(panel.id, timeAt(e.clientX), pixel_s);
    });
    over.addEventListener("pointerleave", () => tell((view.from + view.to) / 2, null, true));
  }

  function build(panel) {
    const element = document.createElement("div");
    element.className = "panel";
    element.id = `panel_${panel.id}`;
    const heading = document.createElement("h2");
    heading.textContent = panel.title;
    element.append(heading);
    if (panel.full && panel.keys?.length) {
      const keys = document.createElement("div");
      keys.className = "keys";
      for (const { name, colour, mark } of panel.keys) {
        const item = document.createElement("span");
        const sign = document.createElement("b");
        sign.textContent = `${mark} `;
        sign.style.color = colour;
        sign.setAttribute("aria-hidden", "true");
        item.append(sign, name);
        keys.append(item, " ");
      }
      element.append(keys);
    }
    const sentence = content.says[panel.id] ?? (panel.full ? "" : panel.empty ?? "");
    if (sentence) {
      const says = document.createElement("p");
      says.className = "says";
      says.textContent = sentence;
      element.append(says);
    }
    panel.body = document.createElement("div");
    element.append(panel.body);
    byId("plots").append(element);
    panel.element = element;
    if (!panel.full) return;
    panel.chart = chartOf(panel);
    listenTo(panel);
    if (panel.fixed) return;
    const toggle = document.createElement("label");
    const tick = document.createElement("input");
    tick.type = "checkbox";
    tick.checked = true;
    tick.addEventListener("change", () => {
      panel.hidden = element.hidden = !tick.checked;
      setView(view.from, view.to);
    });
    toggle.append(tick, ` ${panel.title.replace(/ \(.*/, "")}`);
    byId("panels").append(toggle);
  }

  function resize(width) {
    for (const panel of PANELS) panel.chart?.setSize({ width, height: panel.height });
    setView(view.from, view.to);
  }

  function fromAddress() {
    const part = /^#t=(-?[\d.]+),(-?[\d.]+)$/.exec(location.hash);
    if (part) setView(Number(part[1]), Number(part[2]));
  }

  function fillOutcomesWhenOpened() {
    const { words, statuses, rows } = content.outcomes;
    const details = document.querySelector("#outcomes details");
    if (!details) return;
    details.addEventListener("toggle", () => {
      const holder = details.querySelector("div");
      if (!details.open || holder.firstChild) return;
      const table = document.createElement("table");
      const head = table.createTHead().insertRow();
      for (const name of ["Event", "Window", "Outcome", "Value", "95 % interval", "Unit", "Verdict", "Reason"]) {
        const cell = document.createElement("th");
        cell.textContent = name;
        head.append(cell);
      }
      const body = table.createTBody();
      for (const [event, window_, outcome, value, interval, unit, status, reason] of rows) {
        const row = body.insertRow();
        const cells = [words[event], words[window_], words[outcome], value, interval, words[unit], statuses[status], words[reason]];
        cells.forEach((text, n) => {
          const cell = row.insertCell();
          cell.textContent = text;
          if (n === 3 || n === 4) cell.className = "number";
        });
      }
      holder.append(table);
    });
  }

  // the ECG's furthest deflection near a moment: where a person who clicks at a beat means it
  function peakNear(moment, reach_s = 0.06) {
    let peak = moment, most = -1;
    for (const l of ecg) {
      const [from, until] = [l.indexAt(moment - reach_s), l.indexAt(moment + reach_s)];
      const [wide_from, wide_until] = [l.indexAt(moment - 0.5), l.indexAt(moment + 0.5)];
      const middle = l.value.slice(wide_from, wide_until).sort()[(wide_until - wide_from) >> 1];
      for (let i = from; i < until; i++) {
        const away = Math.abs(l.value[i] - middle);
        if (away > most) [most, peak] = [away, l.timeOf(i)];
      }
    }
    return peak;
  }

  // what review.js adds to the panels
  const course = {
    content, beatRows, clock, peakNear, save, beatsShown: beatTimes.length > 0, overlays: [],
    clicked: () => false, dragged: () => false,
    repaint: () => PANELS.forEach((panel) => panel.chart?.redraw(false)),
    mark: (u, sign, t, colour) => {
      if (t >= view.from && t <= view.to) glyph(u, sign, xOf(u, t), u.bbox.top + u.bbox.height - 22 * ratio(), colour, 16);
    },
    hatch: (u, from, to, colour) => {
      const area = box(u, from, to, u.scales.y.min, u.scales.y.max);
      if (!area) return;
      u.ctx.fillStyle = pattern(u.ctx, "striped", "", colour);
      u.ctx.fillRect(...area);
    },
    upright: (u, t, colour) => {
      if (!(t >= view.from && t <= view.to)) return;
      u.ctx.fillStyle = colour;
      u.ctx.fillRect(xOf(u, t) - ratio(), u.bbox.top, 2 * ratio(), u.bbox.height);
    },
  };

  byId("course").hidden = false;
  PANELS.forEach(build);
  if (!PANELS.some((panel) => panel.chart)) byId("bar").hidden = true;
  let width = byId("plots").clientWidth;
  new ResizeObserver(() => {
    const now = byId("plots").clientWidth;
    if (now !== width && now > 0) resize((width = now));
  }).observe(byId("plots"));
  addEventListener("beforeprint", () => resize(700));
  addEventListener("afterprint", () => resize(width));
  addEventListener("hashchange", fromAddress);
  byId("plots").addEventListener("keydown", (e) => {
    const deed = KEYS[e.key];
    if (!deed || e.ctrlKey || e.metaKey || e.altKey) return;
    e.preventDefault();
    deed();
  });
  document.addEventListener("click", (e) => {
    const button = e.target.closest("button");
    if (!button) return;
    if (button.dataset.do) DEEDS[button.dataset.do]();
    if (button.dataset.from) {
      const [from, to] = [Number(button.dataset.from), Number(button.dataset.to)];
      const margin = button.dataset.margin ? Math.max(5, 0.1 * (to - from)) : 0;
      setView(from - margin, to + margin);
      if (button.closest("table")) byId("course").scrollIntoView();
    }
  });
  setView(FIRST_S, LAST_S);
  fromAddress();
  cancelAnimationFrame(scheduled);
  redraw();
  document.dispatchEvent(new CustomEvent("course-drawn", { detail: course }));
  document.documentElement.dataset.ready = "yes";
  document.documentElement.dataset.readyMs = (performance.now() - began).toFixed(0);
})();
