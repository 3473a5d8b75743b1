"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const $ = (id) => document.getElementById(id);
  const UNITS = 1000, ROWS_AT_FIRST = 200, LEAST_SPAN = 500;
  const NAMES = ["C", "C\u266f", "D", "D\u266f", "E", "F", "F\u266f", "G", "G\u266f", "A", "A\u266f", "B"];
  const SHORT = {repeated: "rep.", detached: "det.", tremolo: "trem.", trill: "tr", accent: ">", sforzando: "sfz",
    "closing-rise": "rise", "closing-fall": "fall", melody: "mel.", counter: "ctr.", chords: "chd.", pedal: "ped."};

  // --- packed rows -------------------------------------------------------------------------------------------------
  const bytes = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const longs = (text) => new Uint32Array(bytes(text).buffer);
  function times(text) {
    const steps = new Uint16Array(bytes(text).buffer), found = new Float64Array(steps.length);
    let n = 0, now = 0;
    for (const step of steps) { now += step; if (step < 65535) found[n++] = now; }
    return found.subarray(0, n);
  }
  const once = (make) => { const kept = new Map(); return (key) => { if (!kept.has(key)) kept.set(key, make(key)); return kept.get(key); }; };
  const partOf = once((i) => {
    const p = data.parts[i], at = times(p.notes.at), long = longs(p.notes.long);
    const spans = (s) => ({at: times(s.at), long: longs(s.long)});
    const lanes = {};
    for (const [lane, l] of Object.entries(p.lanes)) {
      const drawn = l.drawn.map((d) => d && {x: times(d.at), y: Float64Array.from(bytes(d.value), (v) => v < 255 ? v : NaN)});
      const band = l.band && {x: times(l.band.at), spread: bytes(l.band.spread)};
      lanes[lane] = {cc: l.cc, drawn, band};
    }
    return {name: p.name, index: p.index, of: p.of, kind: p.kind, cue: p.cue, lanes, at, long, end: at.map((x, k) => x + long[k]),
      pitch: bytes(p.notes.pitch), velocity: bytes(p.notes.velocity), phrases: spans(p.phrases),
      situations: {...spans(p.situations), label: bytes(p.situations.label)}, labels: p.labels};
  });
  const cueOf = once((i) => ({...data.cues[i], bars: times(data.cues[i].bars)}));

  // last index with row[index] <= x, -1 where there is none
  function before(row, x) {
    let low = 0, high = row.length;
    while (low < high) { const middle = (low + high) >> 1; if (row[middle] <= x) low = middle + 1; else high = middle; }
    return low - 1;
  }
  const held = (lane, x) => { const k = before(lane.x, x); return k < 0 || Number.isNaN(lane.y[k]) ? null : lane.y[k]; };

  // --- places in musical and clock time ----------------------------------------------------------------------------
  function seconds(cue, x) {
    const k = Math.max(before(cue.knots, x), 0), next = k + 1 < cue.knots.length;
    const pace = next ? (cue.seconds[k + 1] - cue.seconds[k]) / (cue.knots[k + 1] - cue.knots[k]) : cue.pace;
    return cue.seconds[k] + (x - cue.knots[k]) * pace;
  }
  function units(cue, second) {
    const k = Math.max(before(cue.seconds, second), 0), next = k + 1 < cue.knots.length;
    const pace = next ? (cue.seconds[k + 1] - cue.seconds[k]) / (cue.knots[k + 1] - cue.knots[k]) : cue.pace;
    return cue.knots[k] + (second - cue.seconds[k]) / pace;
  }
  function clock(second, decimals) {
    const minutes = Math.floor(second / 60 + 1e-9), rest = Math.max(second - 60 * minutes, 0).toFixed(decimals);
    return `${minutes}:${rest.padStart(decimals ? 3 + decimals : 2, "0")}`;
  }
  const beatOf = (cue, bar) => {  // length of a beat of the metre, in units
    let below = 4;
    for (const metre of cue.metres) if (metre[0] <= bar) below = metre[2];
    return 4 * UNITS / below;
  };
  function place(cue, x) {
    if (!cue.bars.length) return `${(x / UNITS).toFixed(2)} s`;
    const k = Math.max(before(cue.bars, x), 0), beat = 1 + (x - cue.bars[k]) / beatOf(cue, k + 1);
    return `bar ${k + 1}, beat ${beat.toFixed(1).replace(".0", "")}`;
  }

  // --- the chart ---------------------------------------------------------------------------------------------------
  const state = {part: 0, lane: "all", other: 1, cursor: null};
  let model, xr;
  const get = once((name) => model.get_model_by_name(name));
  const axis = (panel, side) => get(panel)[side][0];
  const shownLanes = () => data.lanes.filter((lane) => lane in partOf(state.part).lanes && (state.lane === "all" || state.lane === lane));
  const otherSide = () => (data.sides.length > 1 ? state.other : 0);

  function fillPart() {
    const part = partOf(state.part), cue = cueOf(part.cue);
    $("part").value = String(state.part);
    $("part-name").textContent = `${part.index}  ${part.name}${part.of ? `, ${part.of}` : ""}`;
    let low = 127, high = 0;
    for (const p of part.pitch) { low = Math.min(low, p); high = Math.max(high, p); }
    if (low > high) { low = 57; high = 63; }
    const middle = (low + high) / 2, half = Math.max((high - low) / 2, 4) + 2;
    const pitches = get("notes-y");
    pitches.setv({start: middle - half, end: middle + half});
    get("notes-bars").data = {left: part.at, right: part.end, top: Float64Array.from(part.pitch, (p) => p + 0.44),
      bottom: Float64Array.from(part.pitch, (p) => p - 0.44), shade: Array.from(part.velocity, (v) => data.shades[v])};
    const ticks = [];
    for (let p = Math.ceil(middle - half); p <= middle + half; p++) if (p % 12 === 0) ticks.push(p);
    for (const p of [low, high]) if (ticks.every((t) => Math.abs(t - p) >= 3)) ticks.push(p);
    get("pitches").ticks = ticks;
    axis("notes", "left").major_label_overrides = new Map(ticks.map((p) => [p, NAMES[p % 12] + (Math.floor(p / 12) - 1)]));
    fillLanes(part);
    fillMarks(part);
    xr.setv({bounds: [-cue.end * 0.02, cue.end * 1.01], min_interval: LEAST_SPAN});
    boxes = placedBoxes(part);
    for (const input of document.querySelectorAll("#lane input")) input.disabled = input.value !== "all" && !(input.value in part.lanes);
    key();
  }

  function stairs(curve, end) {
    if (!curve || !curve.x.length) return {x: [], y: []};
    const n = curve.x.length, x = new Float64Array(n + 1), y = new Float64Array(n + 1);
    x.set(curve.x); y.set(curve.y); x[n] = Math.max(end, x[n - 1]); y[n] = y[n - 1];
    return {x, y};
  }
  function corners(rows) {  // each value held until the next: two corners where it changes
    const n = rows.x.length, made = {};
    for (const [name, row] of Object.entries(rows)) {
      const out = made[name] = new Float64Array(Math.max(2 * n - 1, 0));
      for (let k = 0; k < n; k++) {
        out[2 * k] = row[k];
        if (k + 1 < n) out[2 * k + 1] = name === "x" ? row[k + 1] : row[k];
      }
    }
    return made;
  }
  function apart(a, b, end) {
    if (!a || !b || a === b || !a.x.length || !b.x.length) return {x: [], main: [], other: []};
    const x = [], main = [], other = [];
    let i = 0, j = 0;
    while (i < a.x.length || j < b.x.length) {
      const now = Math.min(i < a.x.length ? a.x[i] : Infinity, j < b.x.length ? b.x[j] : Infinity);
      while (i < a.x.length && a.x[i] <= now) i++;
      while (j < b.x.length && b.x[j] <= now) j++;
      if (!i || !j) continue;
      const one = a.y[i - 1], two = b.y[j - 1];
      const silent = Number.isNaN(one) || Number.isNaN(two), last = main.length ? main.at(-1) : 0;
      x.push(now); main.push(silent ? last : one); other.push(silent ? last : two);  // no area where one says nothing
    }
    x.push(Math.max(end, x.at(-1))); main.push(main.at(-1)); other.push(other.at(-1));
    return corners({x, main, other});
  }
  function bands(band, main, widths) {  // about the main drawing, wherever either changes
    const found = {x: [], low90: [], high90: [], low50: [], high50: []};
    if (!band || !main) return found;
    let i = 0, j = 0;
    while (i < band.x.length || j < main.x.length) {
      const now = Math.min(i < band.x.length ? band.x[i] : Infinity, j < main.x.length ? main.x[j] : Infinity);
      while (i < band.x.length && band.x[i] <= now) i++;
      while (j < main.x.length && main.x[j] <= now) j++;
      const known = i && j && band.spread[i - 1] < 255;
      found.x.push(now);
      for (const [name, z] of widths) {
        const half = known ? z * band.spread[i - 1] / 2 : 0, value = j ? main.y[j - 1] : main.y[0];
        found[`low${name}`].push(Math.max(value - half, 0));
        found[`high${name}`].push(Math.min(value + half, 127));
      }
    }
    return corners(found);
  }
  function fillLanes(part) {
    const end = cueOf(part.cue).end, shown = shownLanes();
    for (const lane of data.lanes) {
      const panel = get(lane), l = part.lanes[lane];
      panel.visible = shown.includes(lane);
      if (!panel.visible) continue;
      panel.height = shown.length === 1 ? 330 : 132;
      const main = l.drawn[0], other = otherSide() ? l.drawn[otherSide()] : null, band = bands(l.band, main, data.bands[lane]);
      let low = 127, high = 0;
      for (const d of [main, other]) if (d) for (const v of d.y) if (!Number.isNaN(v)) { low = Math.min(low, v); high = Math.max(high, v); }
      for (const v of band.low50) low = Math.min(low, v);
      for (const v of band.high50) high = Math.max(high, v);
      const middle = (low + high) / 2, half = Math.max((high - low) / 2 * 1.2, 14);
      const bottom = Math.max(middle - half, -4), top = bottom + 2 * half;
      get(`${lane}-y`).setv({start: bottom, end: top});
      get(`${lane}-band`).data = band;
      get(`${lane}-difference`).data = apart(main, other, end);
      get(`${lane}-main`).data = stairs(main, end);
      get(`${lane}-other`).data = stairs(other, end);
      const foot = bottom + 0.06 * (top - bottom);
      get(`${lane}-onsets`).data = {x: part.at, low: part.at.map(() => bottom), high: part.at.map(() => foot)};
    }
  }
  function fillMarks(part) {
    const rows = Object.fromEntries(["notes", ...data.lanes].map((name) => [name, {x: [], y: [], size: []}]));
    for (const f of data.findings) {
      if (f.at[0] !== state.part) continue;
      const name = f.at[1] && rows[f.at[1]] ? f.at[1] : "notes", range = get(`${name}-y`);
      rows[name].x.push(f.at[2]);
      rows[name].y.push(range.end - 0.06 * (range.end - range.start));
      rows[name].size.push({high: 13, medium: 10, low: 7}[f.severity] || 8);
    }
    for (const [name, row] of Object.entries(rows)) get(`${name}-marks`).data = row;
  }

  // --- the score strip: boxes placed once a part, their words whenever the zoom changes -----------------------------
  let boxes = [];
  function placedBoxes(part) {
    const found = [], free = {};
    const {at, long, label} = part.situations;
    const rows = {};
    for (let k = 0; k < at.length; k++) {
      const [axis, name] = part.labels[label[k]], ends = (free[axis] ||= []);
      const last = (rows[axis] ||= []).findLast((b) => b.name === name);
      if (axis !== "event" && last && at[k] - last.right < 60) { last.right = Math.max(last.right, at[k] + long[k]); ends[last.row] = last.right; continue; }
      let row = ends.findIndex((end) => end <= at[k] + 1);
      if (row < 0) row = ends.length;
      const box = {axis, name, row, left: at[k], right: at[k] + long[k]};
      ends[row] = box.right;
      rows[axis].push(box); found.push(box);
    }
    for (const box of found) {
      const base = data.rows.indexOf(box.axis), tall = 0.84 / Math.max(free[box.axis].length, 1);
      box.top = base + 0.92 - tall * box.row; box.bottom = box.top - tall + 0.04;
    }
    for (const row of Object.values(rows)) row.forEach((box, k) => {
      const next = row.slice(k + 1).find((b) => b.row === box.row);
      box.room = (next ? next.left : Infinity);
    });
    return found;
  }
  const width = () => Math.max($("chart").clientWidth - 90, 200);
  function words(name, x0, x1, perPixel) {
    const room = (x1 - x0) / perPixel - 8;
    for (const word of [name, SHORT[name] || name]) if (word.length * 6.4 <= room) return word;
    return "";
  }
  function fillStrip() {
    const part = partOf(state.part), perPixel = (xr.end - xr.start) / width();
    const near = (left, right) => right >= xr.start - (xr.end - xr.start) && left <= xr.end + (xr.end - xr.start);
    const shown = boxes.filter((b) => near(b.left, b.right));
    const start = (b) => Math.max(b.left, Math.min(xr.start, b.right));
    get("boxes").data = {left: shown.map((b) => b.left), right: shown.map((b) => Math.max(b.right - perPixel, b.left)),
      top: shown.map((b) => b.top), bottom: shown.map((b) => b.bottom), x: shown.map(start), y: shown.map((b) => (b.top + b.bottom) / 2),
      text: shown.map((b) => words(b.name, start(b), Math.min(b.room, b.axis === "event" ? Infinity : b.right), perPixel))};
    const row = data.rows.indexOf("phrase"), brackets = {xs: [], ys: [], text: [], x: [], y: []};
    const {at, long} = part.phrases;
    for (let k = 0; k < at.length; k++) {
      const left = at[k] + perPixel, right = Math.max(at[k] + long[k] - 2 * perPixel, left);
      if (!near(left, right)) continue;
      brackets.xs.push([left, left, right, right]);
      brackets.ys.push([row + 0.15, row + 0.8, row + 0.8, row + 0.15]);
      const x = Math.max(left, Math.min(xr.start, right));
      brackets.x.push(x); brackets.y.push(row + 0.42);
      brackets.text.push(words(`phrase ${k + 1}`, x, right, perPixel) || words(String(k + 1), x, right, perPixel));
    }
    get("brackets").data = brackets;
  }
  function ruleTime() {
    const cue = cueOf(partOf(state.part).cue), span = xr.end - xr.start, pixels = width();
    const grid = get("bars"), bars = cue.bars;
    if (bars.length) {
      const first = Math.max(before(bars, xr.start), 0), last = Math.min(before(bars, xr.end) + 1, bars.length - 1);
      const barPixels = pixels * (last > first ? (bars[last] - bars[first]) / (last - first) : span) / span;
      const every = [1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1024].find((n) => n * barPixels > 42) || 2048;
      const ticks = [], labels = new Map(), minor = [];
      for (let k = first; k <= last; k++) {
        if (k % every === 0) {
          const metre = cue.metres.find((m) => m[0] === k + 1);
          ticks.push(bars[k]); labels.set(bars[k], metre ? `${k + 1}  ${metre[1]}/${metre[2]}` : String(k + 1));
        } else if (barPixels > 6) minor.push(bars[k]);
        const beat = beatOf(cue, k + 1);
        if (every === 1 && beat / span * pixels > 12 && k + 1 < bars.length)
          for (let x = bars[k] + beat; x < bars[k + 1] - 1; x += beat) minor.push(x);
      }
      grid.setv({ticks, minor_ticks: minor});
      axis("strip", "above").major_label_overrides = labels;
    }
    const from = seconds(cue, Math.max(xr.start, 0)), to = seconds(cue, xr.end), room = pixels / 70;
    const step = [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600].find((s) => (to - from) / s <= room) || 1800;
    const at = new Map();
    for (let s = Math.ceil(from / step) * step; s <= to; s += step) at.set(units(cue, s), clock(s, step < 1 ? 1 : 0));
    get("seconds").ticks = [...at.keys()];
    axis("clock", "below").major_label_overrides = at;
    if (!bars.length) { grid.setv({ticks: [...at.keys()], minor_ticks: []}); axis("strip", "above").major_label_overrides = at; }
  }

  // --- reading values ----------------------------------------------------------------------------------------------
  const said = (tag, text, name) => { const e = document.createElement(tag); e.textContent = text; if (name) e.className = name; return e; };
  function read(x, aloud) {
    state.cursor = x;
    const part = partOf(state.part), cue = cueOf(part.cue), out = $("readout");
    get("cursor").location = x;
    const cells = [[place(cue, x), cue.bars.length ? clock(seconds(cue, x), 2) : ""]];
    const sounding = [];
    for (let k = before(part.at, x); k >= 0 && k > before(part.at, x) - 64; k--)
      if (part.end[k] > x) sounding.push(`${NAMES[part.pitch[k] % 12]}${Math.floor(part.pitch[k] / 12) - 1} (${part.velocity[k]})`);
    cells.push(["notes", sounding.length ? sounding.slice(0, 5).join(" ") : "rest"]);
    for (const lane of shownLanes()) {
      const l = part.lanes[lane], values = [];
      l.drawn.forEach((d, side) => { if (d && (side === 0 || side === otherSide())) values.push(`${side ? "dashed " : ""}${held(d, x) ?? "\u2013"}`); });
      if (l.band) {
        const k = before(l.band.x, x);
        if (k >= 0 && l.band.spread[k] < 255) values.push(`${data.bands[lane][0][0]} % \u00b1${(data.bands[lane][0][1] * l.band.spread[k] / 2).toFixed(0)}`);
      }
      cells.push([lane, values.join(", ")]);
    }
    out.setAttribute("aria-live", aloud ? "polite" : "off");
    out.replaceChildren(...cells.map(([name, text]) => { const e = document.createElement("span"); e.append(said("b", name), " ", text); return e; }));
    const reach = (xr.end - xr.start) / width() * 6;
    for (const f of data.findings)
      if (f.at[0] === state.part && f.at[2] - reach <= x && x <= f.at[3] + reach) out.append(said("span", `\u25bc ${f.kind}: ${f.text}`, "mark"));
  }

  // --- moving about ------------------------------------------------------------------------------------------------
  function show(start, end) {
    const cue = cueOf(partOf(state.part).cue), low = -cue.end * 0.01, high = cue.end * 1.005;
    let span = Math.min(Math.max(end - start, LEAST_SPAN), high - low);
    start = Math.min(Math.max(start, low), high - span);
    xr.setv({start, end: start + span});
  }
  const whole = () => show(0, cueOf(partOf(state.part).cue).end);
  function zoom(factor) {
    const inside = state.cursor !== null && state.cursor > xr.start && state.cursor < xr.end;
    const at = inside ? state.cursor : (xr.start + xr.end) / 2;
    show(at - (at - xr.start) * factor, at + (xr.end - at) * factor);
  }
  const move = (share) => { const by = share * (xr.end - xr.start); show(xr.start + by, xr.end + by); };
  function choose(part, lane) {
    const other = partOf(part).cue !== partOf(state.part).cue || !ready;
    state.part = part;
    if (lane !== undefined) setLane(lane);
    else if (state.lane !== "all" && !(state.lane in partOf(part).lanes)) setLane("all");
    fillPart();
    if (other) whole();
    if (ready) draw();
    if (state.cursor !== null) read(state.cursor, false);
  }
  function refresh() {
    fillPart(); draw();
    if (state.cursor !== null) read(state.cursor, false);
  }
  function setLane(lane) {
    state.lane = lane;
    for (const input of document.querySelectorAll("#lane input")) input.checked = input.value === lane;
  }
  function go(to, link) {
    const [part, lane, start, end] = to;
    choose(part, state.lane === "all" || !lane ? "all" : lane);
    const cue = cueOf(partOf(part).cue), margin = Math.max(0.6 * (end - start), 4 * UNITS);
    show(start - margin, end + margin);
    get("passage").setv({left: start, right: end, visible: true});
    for (const a of document.querySelectorAll("#passages a")) if (a === link) a.setAttribute("aria-current", "true"); else a.removeAttribute("aria-current");
    draw(); read(start, true);
    void cue;
  }
  const hash = (to) => `#part=${to[0] + 1}&lane=${to[1] || "all"}&from=${to[2]}&to=${to[3]}`;
  function follow() {
    const asked = new URLSearchParams(location.hash.slice(1)), part = Number(asked.get("part")) - 1;
    if (!data.parts[part]) return false;
    const lane = asked.get("lane"), from = Number(asked.get("from")) || 0, to = Number(asked.get("to")) || from + 16 * UNITS;
    const link = [...document.querySelectorAll("#passages a")].find((a) => a.hash === location.hash);
    go([part, data.lanes.includes(lane) ? lane : null, from, Math.max(to, from)], link);
    return true;
  }
  let waiting = 0, ready = false;
  function draw() { cancelAnimationFrame(waiting); waiting = requestAnimationFrame(() => { ruleTime(); fillStrip(); }); }

  const keys = {"+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2), "0": whole, PageUp: () => move(-0.8), PageDown: () => move(0.8),
    Home: () => step(-Infinity), End: () => step(Infinity), ",": () => phrase(-1), ".": () => phrase(1),
    ArrowUp: () => choose((state.part + data.parts.length - 1) % data.parts.length), ArrowDown: () => choose((state.part + 1) % data.parts.length)};
  function step(by) {
    const cue = cueOf(partOf(state.part).cue), from = state.cursor ?? xr.start;
    const x = Math.min(Math.max(from + by, 0), cue.end);
    if (x < xr.start || x > xr.end) { const span = xr.end - xr.start; show(x - span / 2, x + span / 2); }
    read(x, true);
  }
  function beatStep(direction, byBar) {
    const cue = cueOf(partOf(state.part).cue), from = state.cursor ?? Math.max(xr.start, 0);
    if (!cue.bars.length) return step(direction * UNITS * (byBar ? 4 : 1));
    const k = Math.max(before(cue.bars, from + (direction > 0 ? 1 : -1)), 0);
    if (byBar) return step((direction > 0 ? cue.bars[Math.min(k + 1, cue.bars.length - 1)] : cue.bars[k]) - from);
    const beat = beatOf(cue, k + 1), n = (from - cue.bars[k]) / beat;
    step(cue.bars[k] + beat * (direction > 0 ? Math.floor(n + 1.001) : Math.ceil(n - 1.001)) - from);
  }
  function phrase(direction) {
    const {at, long} = partOf(state.part).phrases, from = state.cursor ?? xr.start;
    if (!at.length) return;
    let k = before(at, from + (direction > 0 ? 1 : -1));
    k = Math.min(Math.max(direction > 0 ? k + 1 : k, 0), at.length - 1);
    const margin = Math.max(0.3 * long[k], 2 * UNITS);
    show(at[k] - margin, at[k] + long[k] + margin);
    read(at[k], true);
  }

  // --- controls, list, key, tables -----------------------------------------------------------------------------------
  function controls() {
    data.parts.forEach((p, i) => $("part").append(new Option(`${p.index}  ${p.name}${p.of ? ` (${p.of})` : ""}`, String(i))));
    $("part").addEventListener("change", () => choose(Number($("part").value)));
    const lanes = data.lanes.filter((lane) => data.parts.some((p) => lane in p.lanes));
    for (const lane of ["all", ...lanes]) {
      const label = document.createElement("label"), input = document.createElement("input");
      input.type = "radio"; input.name = "lane"; input.value = lane; input.checked = lane === "all";
      input.addEventListener("change", () => { setLane(lane); refresh(); });
      label.append(input, lane); $("lane").append(label);
    }
    data.sides.slice(1).forEach((side, i) => $("other").append(new Option(side, String(i + 1))));
    $("other-label").hidden = data.sides.length < 3;
    $("other").addEventListener("change", () => { state.other = Number($("other").value); refresh(); });
    const acts = {earlier: () => move(-0.8), later: () => move(0.8), in: () => zoom(0.5), out: () => zoom(2), whole};
    for (const button of document.querySelectorAll(".zoom button")) button.addEventListener("click", acts[button.dataset.do]);
    $("chart-box").addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const arrow = {ArrowLeft: -1, ArrowRight: 1}[event.key];
      if (arrow) beatStep(arrow, event.shiftKey); else if (keys[event.key]) keys[event.key](); else return;
      event.preventDefault();
    });
  }
  function list() {
    const top = Math.max(...data.passages.map((p) => p.size), 1e-9);
    for (const p of data.passages) {
      const item = document.createElement("li"), link = document.createElement("a"), bar = said("span", "", "bar"), fill = document.createElement("i");
      fill.style.width = `${(100 * p.size / top).toFixed(0)}%`; bar.append(fill); bar.setAttribute("aria-hidden", "true");
      const both = document.createElement("span"), part = data.parts[p.to[0]];
      both.append(said("span", `${part.name}${part.of ? `, ${part.of}` : ""}`, "where"), document.createElement("br"),
        said("span", `${p.to[1] || "all lanes"}, ${p.where}: ${p.text}`, "said"));
      link.href = hash(p.to); link.append(both, bar);
      link.addEventListener("click", (event) => { event.preventDefault(); history.replaceState(null, "", link.hash); go(p.to, link);
        if (matchMedia("(max-width: 960px)").matches) $("part-name").scrollIntoView(); });
      item.append(link); $("passages").append(item);
    }
  }
  function sample(svg, text) {
    const e = document.createElement("span"), picture = new DOMParser().parseFromString(
      `<svg xmlns="http://www.w3.org/2000/svg" width="34" height="14" aria-hidden="true">${svg}</svg>`, "image/svg+xml").documentElement;
    e.append(document.importNode(picture, true), text);
    return e;
  }
  function key() {
    const lanes = partOf(state.part).lanes, css = getComputedStyle(document.documentElement), ink = css.getPropertyValue("--ink"), pale = css.getPropertyValue("--pale");
    const colour = data.colour[shownLanes()[0]] || ink, items = [sample(`<path d="M0 10h12v-6h11v4h11" fill="none" stroke="${colour}" stroke-width="2"/>`, data.sides[0])];
    const other = otherSide();
    if (other) {
      items.push(sample(`<path d="M0 10h12v-6h11v4h11" fill="none" stroke="${ink}" stroke-width="1.3" stroke-dasharray="5 3"/>`, data.sides[other]));
      items.push(sample(`<rect width="34" height="14" fill="${colour}" fill-opacity=".28"/><path d="M4 14 18 0M18 14 32 0" stroke="${colour}" stroke-opacity=".5"/>`, "difference"));
    }
    if (Object.values(lanes).some((l) => l.band)) {
      items.push(sample(`<rect width="34" height="14" fill="${pale}" fill-opacity=".16"/>`, "nine of ten hands"));
      items.push(sample(`<rect width="34" height="14" fill="${pale}" fill-opacity=".33"/>`, "half of hands"));
    }
    items.push(sample(`<rect y="4" width="15" height="6" fill="${data.shades[40]}"/><rect x="18" y="4" width="15" height="6" fill="${data.shades[110]}"/>`, "notes, darker where struck harder"));
    if (data.findings.length) items.push(sample(`<path d="M11 3h12l-6 9z" fill="${ink}"/>`, "finding of the review"));
    $("key").replaceChildren(...items);
  }
  const sorting = {sheet: 0, column: -1, down: true, all: false};
  function tabs() {
    data.sheets.forEach((sheet, i) => {
      const button = said("button", `${sheet.title} (${sheet.rows.length})`);
      button.type = "button"; button.setAttribute("role", "tab");
      button.addEventListener("click", () => { Object.assign(sorting, {sheet: i, column: -1, down: true, all: false}); table(); });
      $("tabs").append(button);
    });
    $("more").addEventListener("click", () => { sorting.all = true; table(); });
    table();
  }
  function table() {
    const sheet = data.sheets[sorting.sheet];
    [...$("tabs").children].forEach((b, i) => b.setAttribute("aria-selected", String(i === sorting.sheet)));
    if (!sheet) return;
    $("sheet-note").textContent = sheet.note;
    const numeric = sheet.columns.map((_, c) => sheet.rows.some((row) => typeof row[c] === "number"));
    const places = (value) => typeof value === "number" ? (String(value).split(".")[1] || "").length : 0;
    const decimals = sheet.columns.map((_, c) => sheet.rows.reduce((most, row) => Math.max(most, places(row[c])), 0));
    const head = document.createElement("tr");
    sheet.columns.forEach((title, c) => {
      const cell = document.createElement("th"), button = said("button", title);
      button.type = "button"; cell.scope = "col"; if (numeric[c]) cell.className = "number";
      if (sorting.column === c) cell.setAttribute("aria-sort", sorting.down ? "descending" : "ascending");
      button.addEventListener("click", () => {
        sorting.down = sorting.column === c ? !sorting.down : numeric[c]; sorting.column = c; table();
        $("sheet").tHead.rows[0].cells[c].firstChild.focus();
      });
      cell.append(button); head.append(cell);
    });
    $("sheet").tHead.replaceChildren(head);
    const order = sheet.rows.map((_, i) => i), c = sorting.column;
    if (c >= 0) order.sort((i, j) => {
      const a = sheet.rows[i][c], b = sheet.rows[j][c];
      if (a === null || b === null) return (a === null) - (b === null) || i - j;
      const by = numeric[c] ? a - b : String(a).localeCompare(String(b), undefined, {numeric: true});
      return (sorting.down ? -by : by) || i - j;
    });
    const shown = sorting.all ? order : order.slice(0, ROWS_AT_FIRST);
    $("more").hidden = shown.length === order.length;
    $("sheet").tBodies[0].replaceChildren(...shown.map((i) => {
      const row = document.createElement("tr"), to = sheet.to[i];
      sheet.rows[i].forEach((value, c) => {
        const cell = document.createElement("td"), text = value === null ? "\u2013" : numeric[c] ? value.toFixed(decimals[c]).replace("-", "\u2212") : String(value);
        if (numeric[c]) cell.className = "number";
        if (to && c === 0) {
          const link = said("a", text); link.href = hash(to);
          link.addEventListener("click", (event) => { event.preventDefault(); history.replaceState(null, "", link.hash); go(to, null); $("part-name").scrollIntoView({block: "start"}); });
          cell.append(link);
        } else cell.textContent = text;
        row.append(cell);
      });
      return row;
    }));
  }

  // --- beginning ---------------------------------------------------------------------------------------------------
  controls(); list(); tabs();
  model = Bokeh.require("document").Document.from_json(JSON.parse($("chart-model").textContent));
  xr = get("x");
  if (!follow()) {
    if (data.passages.length) go(data.passages[0].to, $("passages").querySelector("a"));
    else choose(0);
  }
  ready = true;
  ruleTime(); fillStrip();  // the chart is filled before the library draws it for the first time
  for (const end of ["start", "end"]) xr.properties[end].change.connect(draw);
  for (const name of ["strip", "notes", ...data.lanes]) get(name).on_event("mousemove", (event) => read(event.x, false));
  addEventListener("resize", draw);
  addEventListener("hashchange", follow);
  Bokeh.embed.add_document_standalone(model, $("chart")).then(() => {
    document.documentElement.dataset.ready = "true";
    window.phrasewright = {state, range: xr, get};
  });
})();
