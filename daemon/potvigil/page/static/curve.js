"use strict";
/* The curve of a pot's night. The server thins it without losing a peak or dip; zooming in requests more detail.

   Times are x = t + shift: Unix seconds if the wall clock is known, else seconds since the start of the curve. */
(() => {
  const place = document.querySelector("[data-curve]");
  if (!place) return;
  const part = (name) => place.querySelector(`[data-part="${name}"]`);
  const live = place.hasAttribute("data-live");
  const digits = { psi: [1, 2], bar: [2, 3], kPa: [0, 1] };
  const SIGNS = { "top-up": "+", gel: "◆", "cure-done": "●", vented: "○" };
  const signOf = ({ kind, level }) => SIGNS[kind] ?? (level === "alarm" ? "■" : "▲");
  const LEAST_SPAN_S = 20;
  const DAY_S = 86400;
  const TAIL_EVERY_MS = Number(place.dataset.live) || 3000;
  const WHOLE_EVERY_MS = 300000;

  let whole = null; // the curve from start to end
  let closer = null; // a part of it in more detail
  let tail = null; // points newer than `whole`
  let view = null; // [from, to] as shown, x
  let wanted = "whole"; // what the view follows: whole, hold, hour, or own (nothing)
  let table = null; // the columns drawn
  let panels = [];
  let drawn = ""; // the panels drawn
  let shift = 0;
  let reading = 0; // the animation frame of the next readout
  let readAt = null; // x of the readout; null: the latest

  // -- words and numbers ---------------------------------------------------------------------------

  const known = () => whole.utc_less_t_s !== null;
  const formats = new Map();
  function clock(x, style) {
    if (!known()) {
      const s = Math.round(x);
      const seconds = style === "long" || style === "seconds" ? `:${String(Math.abs(s) % 60).padStart(2, "0")}` : "";
      return `${Math.trunc(s / 3600)}:${String(Math.trunc(Math.abs(s) / 60) % 60).padStart(2, "0")}${seconds}`;
    }
    if (!formats.has(style)) {
      const options = { hour: "2-digit", minute: "2-digit", hourCycle: "h23" };
      if (whole.zone) options.timeZone = whole.zone;
      if (style !== "short") options.second = "2-digit";
      if (style === "long") Object.assign(options, { weekday: "short", day: "numeric", month: "short" });
      if (style === "day") Object.assign(options, { weekday: "short", day: "numeric", month: "short", second: undefined });
      if (style === "date") Object.assign(options, { weekday: "short", day: "numeric", month: "short", hour: undefined, minute: undefined, second: undefined });
      formats.set(style, new Intl.DateTimeFormat("en-GB", options));
    }
    return formats.get(style).format(new Date(x * 1000));
  }
  /* Format a time on the curve; with its day if the curve spans more than one. */
  const moment = () => (whole.to - whole.from > DAY_S ? "day" : "short");
  // avoid -0.0
  const figure = (value, places) => (Number(value.toFixed(places)) || 0).toFixed(places);
  const pressure = (value) => `${figure(value, digits[whole.unit][0])} ${whole.unit}`;
  const rate = (value) => `${figure(value, digits[whole.unit][1])} ${whole.unit}/h`;
  const degrees = (value) => `${value.toFixed(1)} °${whole.temperature_unit}`;
  const palette = new Map(); // used many times per drawing; cleared when light and dark change
  function colour(name) {
    if (!palette.has(name)) palette.set(name, getComputedStyle(place).getPropertyValue(`--${name}`).trim());
    return palette.get(name);
  }

  function element(tag, text, className) {
    const made = document.createElement(tag);
    if (text !== undefined) made.textContent = text;
    if (className) made.className = className;
    return made;
  }

  // -- data ----------------------------------------------------------------------------------------

  async function fetchCurve(from, to, points) {
    const url = new URL(place.dataset.curve, location.href);
    if (from !== null) url.searchParams.set("from", from - shift);
    if (to !== null) url.searchParams.set("to", to - shift);
    url.searchParams.set("points", points);
    const answer = await fetch(url, { cache: "no-store" });
    if (!answer.ok) throw new Error(String(answer.status));
    return answer.json();
  }

  /* Return [x, ...columns] with a gap where no value came for much longer than usual. */
  function withHoles(t, columns) {
    const steps = t.slice(1).map((value, i) => value - t[i]).sort((a, b) => a - b);
    const longest = Math.max(4 * (steps[steps.length >> 1] ?? 0), 15);
    const table = [[], ...columns.map(() => [])];
    t.forEach((value, i) => {
      if (i && value - t[i - 1] > longest) {
        table[0].push(t[i - 1] + longest / 4 + shift);
        columns.forEach((_, k) => table[k + 1].push(null));
      }
      table[0].push(value + shift);
      columns.forEach((column, k) => table[k + 1].push(column[i]));
    });
    return table;
  }

  /* Merge the columns of two responses; from its start on, the second replaces the first. */
  function continued(first, second, names) {
    const joined = Object.fromEntries(names.map((name) => [name, first[name] ?? []]));
    if (!second || !second.source.t.length) return joined;
    const begin = second.from;
    const cut = joined.t.findIndex((t) => t >= begin);
    const keep = cut < 0 ? joined.t.length : cut;
    const count = second.source.t.length;
    for (const name of names) {
      const after = second.source[name] ?? Array(count).fill(null);
      const before = joined[name].length ? joined[name] : Array(joined.t.length).fill(null);
      joined[name] = [...before.slice(0, keep), ...after];
    }
    return joined;
  }

  function tables() {
    const main = closer ?? whole;
    const later = tail && main.to + 1 >= whole.to ? tail : null;
    const gauge = continued(main, later && { from: later.from, source: later }, ["t", "low", "high"]);
    const names = ["t", ...["corrected", "leak", "leak_low", "leak_high", ...Object.keys(TEMPERATURES)].filter(
      (name) => main.trace[name] || later?.trace[name],
    )];
    const trace = continued(main.trace, later && { from: later.from, source: later.trace }, names);
    const middle = gauge.low.map((low, i) => (low === null || gauge.high[i] === null ? null : (low + gauge.high[i]) / 2));
    return { gauge: withHoles(gauge.t, [gauge.low, gauge.high, middle]), trace, names };
  }

  /* The marks, including the end of the cure even if it is still ahead. */
  function marked() {
    const ahead = whole.cure_done !== null && !whole.marks.some(({ kind }) => kind === "cure-done");
    return ahead ? [...whole.marks, { t: whole.cure_done, kind: "cure-done", text: "cure done", level: "note" }] : whole.marks;
  }

  const lastX = () => Math.max(whole.to, tail?.to ?? -Infinity) + shift;

  function whereTo(name) {
    const begin = whole.from + shift;
    const end = lastX();
    const ends = Math.max(end, whole.cure_done === null ? end : whole.cure_done + shift);
    const hold = whole.stages.find((stage) => stage.stage === "holding");
    if (name === "hold" && hold) return [hold.t + shift, ends + 0.02 * (ends - hold.t - shift)];
    if (name === "hour") return [end - 3600, end + 120];
    return [begin, Math.max(ends + 0.02 * (ends - begin), begin + 60)];
  }

  // -- drawing -------------------------------------------------------------------------------------

  const FACE = "system-ui, 'Liberation Sans', sans-serif";
  const FONT = `13px ${FACE}`;
  const scaled = (css) => css * uPlot.pxRatio;

  function write(u, text, x, y, { paint = colour("quiet"), align = "left", base = "middle" } = {}) {
    u.ctx.font = `${scaled(13)}px ${FACE}`;
    u.ctx.fillStyle = paint;
    u.ctx.textAlign = align;
    u.ctx.textBaseline = base;
    u.ctx.fillText(text, x, y);
  }

  /* Draw, clipped to the area of the curve. */
  function within(u, draw) {
    const { left, top, width, height } = u.bbox;
    u.ctx.save();
    u.ctx.beginPath();
    u.ctx.rect(left, top, width, height);
    u.ctx.clip();
    draw(u.ctx, u.bbox);
    u.ctx.restore();
  }

  function drawStages(u) {
    within(u, (ctx, box) => {
      const high = scaled(20);
      whole.stages.forEach(({ t, stage }, i) => {
        const next = whole.stages[i + 1];
        const from = Math.max(u.valToPos(t + shift, "x", true), box.left);
        const to = Math.min(u.valToPos(next ? next.t + shift : lastX(), "x", true), box.left + box.width);
        if (to <= from) return;
        ctx.fillStyle = colour(i % 2 ? "strip-other" : "strip");
        ctx.fillRect(from, box.top, to - from, high);
        ctx.font = `${scaled(13)}px ${FACE}`;
        if (ctx.measureText(stage).width + scaled(8) < to - from) {
          write(u, stage, from + scaled(4), box.top + high / 2, { paint: colour("text") });
        }
      });
    });
  }

  function drawLimit(u, value, text) {
    const y = u.valToPos(value, "y", true);
    within(u, (ctx, box) => {
      if (y < box.top + scaled(20) || y > box.top + box.height) return;
      ctx.strokeStyle = colour("quiet");
      ctx.lineWidth = scaled(1.5);
      ctx.setLineDash([scaled(2), scaled(4)]);
      ctx.beginPath();
      ctx.moveTo(box.left, y);
      ctx.lineTo(box.left + box.width, y);
      ctx.stroke();
      const right = box.left + box.width;
      const end = whole.cure_done === null ? right : u.valToPos(whole.cure_done + shift, "x", true);
      const clear = end < right && end > right - scaled(130) ? end : right; // avoid the mark at the end of the cure
      write(u, text, clear - scaled(5), y - scaled(4), { align: "right", base: "bottom" });
    });
  }

  function drawCone(u) {
    const cone = whole.cone;
    if (!cone) return;
    const x = (t) => u.valToPos(t + shift, "x", true);
    const y = (p) => u.valToPos(p, "y", true);
    within(u, (ctx, box) => {
      const edge = whole.cure_done === null ? box.left + box.width : x(whole.cure_done);
      ctx.save();
      ctx.beginPath();
      ctx.rect(box.left, box.top, Math.max(0, edge - box.left), box.height);
      ctx.clip();
      ctx.fillStyle = colour("cone");
      ctx.beginPath();
      ctx.moveTo(x(cone.t0), y(cone.p0));
      ctx.lineTo(x(cone.early), y(cone.floor));
      if (cone.late === null) {
        // perhaps never: the upper edge stays level
        ctx.lineTo(box.left + 2 * box.width + x(cone.early), y(cone.floor));
        ctx.lineTo(box.left + 2 * box.width + x(cone.early), y(cone.p0));
      } else {
        ctx.lineTo(x(cone.late), y(cone.floor));
      }
      ctx.fill();
      ctx.strokeStyle = colour("alarm");
      ctx.lineWidth = scaled(1.5);
      ctx.setLineDash([scaled(7), scaled(4)]);
      ctx.beginPath();
      ctx.moveTo(x(cone.t0), y(cone.p0));
      ctx.lineTo(x(cone.t), y(cone.floor));
      ctx.stroke();
      ctx.restore();
    });
  }

  function drawMarks(u) {
    within(u, (ctx, box) => {
      const bottom = box.top + box.height;
      const floor = u.valToPos(whole.floor, "y", true);
      const foot = floor < bottom && floor > bottom - scaled(60) ? floor - scaled(22) : bottom - scaled(6); // above its label
      let free = -Infinity; // overlapping labels appear only in the list below
      for (const mark of marked()) {
        const x = u.valToPos(mark.t + shift, "x", true);
        if (x < box.left || x > box.left + box.width) continue;
        const isAlarm = mark.kind === "alarm";
        const paint = colour(isAlarm ? mark.level : "text");
        ctx.strokeStyle = paint;
        ctx.lineWidth = scaled(1.25);
        ctx.setLineDash(isAlarm ? [] : [scaled(5), scaled(3)]);
        ctx.beginPath();
        ctx.moveTo(x, box.top + scaled(20));
        ctx.lineTo(x, box.top + box.height);
        ctx.stroke();
        // left of the line, where the curve is still high; else right of it
        const before = x - scaled(18) >= Math.max(free, box.left);
        if (!before && (x < free || x + scaled(18) > box.left + box.width)) continue;
        ctx.save();
        ctx.translate(before ? x - scaled(9) : x + scaled(9), foot);
        ctx.rotate(-Math.PI / 2);
        write(u, `${signOf(mark)} ${mark.text}`, 0, 0, { paint });
        ctx.restore();
        free = before ? x : x + scaled(20);
      }
    });
  }

  const axis = (side, more) => ({
    side,
    stroke: () => colour("quiet"),
    grid: { stroke: () => colour("grid"), width: 1 },
    ticks: { show: false },
    font: FONT,
    ...more,
  });

  /* Labels of the time axis; over more than a day, the first of each day shows its date. */
  function timeWords(splits, step) {
    const style = step < 60 ? "seconds" : "short";
    if (!known() || view[1] - view[0] <= DAY_S) return splits.map((x) => clock(x, style));
    let day = "";
    return splits.map((x) => {
      const date = clock(x, "date");
      const isNew = date !== day;
      day = date;
      const time = step < DAY_S ? clock(x, style) : "";
      return isNew ? [time, date].filter(Boolean).join("\n") : time;
    });
  }

  const timeAxis = (words) =>
    axis(2, {
      size: words ? () => (known() && view[1] - view[0] > DAY_S ? 46 : 30) : 4,
      space: () => (view[1] - view[0] > DAY_S ? 84 : 64),
      values: (u, splits, _, __, step) => (words ? timeWords(splits, step) : splits.map(() => "")),
      ...(known() ? {} : { incrs: [1, 5, 10, 30, 60, 300, 600, 1800, 3600, 7200, 14400, 28800, 86400] }),
    });

  /* Return the index of the first of ascending values that is not below x. */
  function firstAfter(xs, x) {
    let [low, high] = [0, xs.length];
    while (low < high) {
      const middle = (low + high) >> 1;
      if (xs[middle] < x) low = middle + 1;
      else high = middle;
    }
    return low;
  }

  const QUIET_STAGES = ["settling", "holding"];

  /* Return the values of a column that are in view; with `quiet`, those of the hold if there are any: fill and vent
     would flatten everything else. */
  function seen(xs, columns, quiet = false) {
    const found = [[], []];
    let stage = -1; // the current stage
    for (let i = firstAfter(xs, view[0]); i < xs.length && xs[i] <= view[1]; i++) {
      while (stage + 1 < whole.stages.length && whole.stages[stage + 1].t + shift <= xs[i]) stage++;
      const isQuiet = quiet && QUIET_STAGES.includes(whole.stages[stage]?.stage);
      for (const column of columns) {
        if (!Number.isFinite(column[i])) continue;
        found[0].push(column[i]);
        if (isQuiet) found[1].push(column[i]);
      }
    }
    return found[1].length ? found[1] : found[0];
  }

  /* Return the y range for these values: at least `least`, with some margin. */
  function around(values, least, roomAbove = 0) {
    if (!values.length) return [0, 1];
    const low = values.reduce((a, b) => Math.min(a, b));
    const high = values.reduce((a, b) => Math.max(a, b));
    const lack = Math.max(0, least - (high - low)) / 2;
    const span = high - low + 2 * lack;
    return [low - lack - 0.06 * span, high + lack + (0.06 + roomAbove) * span];
  }

  /* Drop outliers, an estimate's wild early values. */
  function tame(values) {
    const sorted = [...values].sort((a, b) => a - b);
    return sorted.length ? [sorted[Math.floor(0.03 * (sorted.length - 1))], sorted[Math.ceil(0.97 * (sorted.length - 1))]] : [];
  }

  const yOfPressure = (u) => {
    const values = seen(u.data[0], u.data.slice(1), true);
    if (wanted !== "own" && wanted !== "hour") values.push(whole.floor, whole.working);
    return around(values, { psi: 2, bar: 0.14, kPa: 14 }[whole.unit], 0.14);
  };
  const yOfTemperatures = (u) => around(seen(u.data[0], u.data.slice(1)), 2);
  /* Wild early estimates may exceed the panel; an established leak and the latest values may not. */
  function sure(u) {
    const [xs, value, low, high] = u.data;
    const found = [];
    for (let i = firstAfter(xs, view[0]); i < xs.length && xs[i] <= view[1]; i++) {
      if (Number.isFinite(low?.[i]) && low[i] > 0 && high[i] - low[i] < value[i]) found.push(value[i]);
    }
    const last = value.findLast((each, i) => Number.isFinite(each) && xs[i] <= view[1]);
    return last === undefined ? found : [...found, last];
  }

  const yOfLeak = (u) => around([0, ...sure(u), ...tame(seen(u.data[0], [u.data[1]]))], { psi: 0.5, bar: 0.04, kPa: 4 }[whole.unit], 0.3);

  function panel(name, height, { series, data, bands, y, hooks, words }) {
    const options = {
      width: part("plot").clientWidth,
      height,
      padding: [6, 10, 4, 0],
      scales: { x: { time: known(), auto: false, range: () => view }, y: { range: y } },
      axes: [timeAxis(words), axis(3, { size: 46, space: 32 })],
      series: [{}, ...series],
      bands: bands ?? [],
      legend: { show: false },
      cursor: { drag: { x: false, y: false }, y: false, sync: { key: "curve" }, points: { show: false } },
      hooks: { ...hooks, setCursor: [readCursor] },
      tzDate: (s) => (whole.zone ? uPlot.tzDate(new Date(s * 1000), whole.zone) : new Date(s * 1000)),
    };
    const made = new uPlot(options, data, part("plot"));
    made.name = name;
    return made;
  }

  const line = (name, more) => ({ stroke: () => colour(name), width: 1.75, points: { show: false }, ...more });
  const DASH = [8, 4];
  const DOTS = [2, 4];
  const TEMPERATURES = { gas: undefined, wall: DASH, room: DOTS, contents: [8, 3, 3, 3] }; // dash patterns
  const HIDDEN = { stroke: "transparent", width: 0, points: { show: false } };

  /* The panels, and how each is drawn; columns are in the order of the series. */
  function wants() {
    table = tables();
    const { gauge, trace, names } = table;
    const has = (name) => names.includes(name);
    const columns = (...some) => some.filter(has).map((name) => trace[name]);
    const tall = Math.round(Math.max(240, Math.min(0.5 * window.innerHeight, 380)));
    const corrected = withHoles(trace.t, columns("corrected"));
    const all = [
      {
        name: "pressure",
        height: tall,
        words: true,
        data: uPlot.join(has("corrected") ? [gauge, corrected] : [gauge]),
        series: [HIDDEN, HIDDEN, line("gauge"), ...(has("corrected") ? [line("corrected", { dash: DASH })] : [])],
        bands: [{ series: [2, 1], fill: () => colour("gauge-band") }],
        y: yOfPressure,
        hooks: {
          drawClear: [drawStages, drawCone],
          draw: [
            (u) => drawLimit(u, whole.floor, `floor ${pressure(whole.floor)}`),
            (u) => drawLimit(u, whole.working, `working ${pressure(whole.working)}`),
            drawMarks,
          ],
        },
      },
    ];
    const there = Object.keys(TEMPERATURES).filter(has);
    if (there.length) {
      all.push({
        name: "temperatures",
        height: 130,
        data: withHoles(trace.t, columns(...there)),
        series: there.map((name) => line(name, { dash: TEMPERATURES[name] })),
        y: yOfTemperatures,
      });
    }
    if (has("leak")) {
      const banded = has("leak_low") && has("leak_high");
      all.push({
        name: "leak",
        height: 130,
        data: withHoles(trace.t, columns("leak", ...(banded ? ["leak_low", "leak_high"] : []))),
        series: [line("leak"), ...(banded ? [HIDDEN, HIDDEN] : [])],
        bands: banded ? [{ series: [3, 2], fill: () => colour("leak-band") }] : [],
        y: yOfLeak,
      });
    }
    return all;
  }

  function draw() {
    const wanting = wants();
    const shape = wanting.map(({ name, series }) => `${name} ${series.length}`).join();
    if (shape !== drawn) {
      drawn = shape;
      panels.forEach((made) => made.destroy());
      part("plot").replaceChildren();
      panels = wanting.map((one) => {
        const unit = { pressure: whole.unit, temperatures: `°${whole.temperature_unit}`, leak: `leak, ${whole.unit}/h` }[one.name];
        part("plot").append(element("p", unit, "quiet small unit"));
        return panel(one.name, one.height, one);
      });
      panels.forEach((made) => followGestures(made.over, { addEventListener() {} }, doings));
    } else {
      panels.forEach((made, i) => made.setData(wanting[i].data, false));
    }
    show();
    readOut();
  }

  function show() {
    for (const made of panels) made.setScale("x", { min: view[0], max: view[1] });
    place.dataset.from = view[0] - shift;
    place.dataset.to = view[1] - shift;
    for (const button of place.querySelectorAll("[data-view]")) {
      button.setAttribute("aria-pressed", String(button.dataset.view === wanted));
    }
  }

  // -- readout -------------------------------------------------------------------------------------

  function nearest(xs, column, x, within_s) {
    let [best, distance] = [null, within_s];
    for (let i = firstAfter(xs, x - within_s); i < xs.length && xs[i] <= x + within_s; i++) {
      const away = Math.abs(xs[i] - x);
      if (away <= distance && column[i] !== null && column[i] !== undefined) [best, distance] = [column[i], away];
    }
    return best;
  }

  function readCursor(u) {
    const isOff = u.cursor.left === null || u.cursor.left === undefined || u.cursor.left < 0;
    const x = isOff ? null : u.posToVal(u.cursor.left, "x");
    if (x === readAt) return;
    readAt = x;
    cancelAnimationFrame(reading);
    reading = requestAnimationFrame(readOut);
  }

  const KEYS = [
    ["corrected", "corrected", pressure],
    ["leak", "leak", rate],
    ...Object.keys(TEMPERATURES).map((name) => [name, name, degrees]),
  ];

  function values(x) {
    const { gauge, trace, names } = table;
    const slack = Math.max((view[1] - view[0]) / 50, 2);
    const [low, high] = [1, 2].map((k) => nearest(gauge[0], gauge[k], x, slack));
    const entries = [];
    const toCome = x > lastX() + 1;
    if (low !== null && high !== null) {
      const same = pressure(low) === pressure(high);
      entries.push(["gauge", "gauge", same ? pressure(low) : `${low.toFixed(digits[whole.unit][0])} to ${pressure(high)}`]);
    } else {
      entries.push(["gauge", "gauge", toCome ? "to come" : "no reading"]);
    }
    const xs = trace.t.map((t) => t + shift);
    for (const [name, words, format] of KEYS) {
      if (!names.includes(name)) continue;
      const value = nearest(xs, trace[name], x, Math.max(slack, 90));
      entries.push([name, words, value === null ? "-" : format(value)]);
    }
    return entries;
  }

  function readOut() {
    const x = readAt ?? lastX();
    const rows = [["", readAt === null ? "last read" : "at", clock(x, "long")], ...values(x)];
    part("readout").replaceChildren(
      ...rows.map(([name, words, value]) => {
        const row = element("div");
        const term = element("dt", words);
        if (name) {
          const key = element("span", undefined, `key ${name}`);
          key.setAttribute("aria-hidden", "true");
          row.append(key);
        }
        row.append(term, element("dd", value));
        return row;
      }),
    );
  }

  /* A text version of the curve: a sentence, the marks, and a dozen rows. */
  function tell() {
    const { gauge } = table;
    let [low, high] = [null, null];
    gauge[0].forEach((x, i) => {
      if (x < view[0] || x > view[1] || gauge[1][i] === null) return;
      if (low === null || gauge[1][i] < low[1]) low = [x, gauge[1][i]];
      if (high === null || gauge[2][i] > high[1]) high = [x, gauge[2][i]];
    });
    const end = Math.min(view[1], lastX());
    part("words").textContent =
      low === null
        ? `No reading from ${clock(view[0], moment())} to ${clock(end, moment())}.`
        : `From ${clock(view[0], moment())} to ${clock(end, moment())}: highest ${pressure(high[1])} at ${clock(high[0], moment())}, ` +
          `lowest ${pressure(low[1])} at ${clock(low[0], moment())}.`;
    part("marks").replaceChildren(
      ...marked().map((mark) => {
        const item = element("li");
        item.append(element("time", clock(mark.t + shift, moment())), `${signOf(mark)} ${mark.text}`);
        return item;
      }),
    );
    const begin = Math.max(view[0], whole.from + shift);
    const rows = Array.from({ length: 13 }, (_, i) => begin + ((end - begin) * i) / 12).map((x) => [x, values(x)]);
    const head = element("tr");
    for (const words of ["time", ...rows[0][1].map(([, name]) => name)]) {
      const cell = element("th", words);
      cell.scope = "col";
      head.append(cell);
    }
    part("numbers").replaceChildren(
      head,
      ...rows.map(([x, entries]) => {
        const row = element("tr");
        const first = element("th", clock(x, end - begin < 780 ? "seconds" : moment()));
        first.scope = "row";
        row.append(first, ...entries.map(([, , value]) => element("td", value)));
        return row;
      }),
    );
  }

  // -- moving about --------------------------------------------------------------------------------

  let later = 0;
  let asked = 0;

  function ask(from, to) {
    const [begin, end] = whereTo("whole");
    const span = Math.min(Math.max(to - from, LEAST_SPAN_S), end - begin);
    const left = Math.min(Math.max((from + to - span) / 2, begin), end - span);
    wanted = span >= end - begin ? "whole" : "own";
    look(left, left + span);
  }

  function look(from, to) {
    view = [from, to];
    show();
    clearTimeout(later);
    later = setTimeout(lookCloser, 180);
  }

  function goTo(name) {
    wanted = name;
    look(...whereTo(name));
  }

  async function lookCloser() {
    const number = ++asked;
    const [from, to] = view;
    const wide = to - from;
    if (wanted === "whole" || wide > 0.9 * (whole.to - whole.from)) {
      closer = null;
    } else {
      try {
        const found = await fetchCurve(from - wide / 2, Math.min(to + wide / 2, lastX()), 2400);
        if (number !== asked) return; // superseded by a newer request
        closer = found.t.length ? found : null;
      } catch {
        return; // keep what is drawn; the strip reports lost contact
      }
    }
    draw();
    tell();
  }

  function read(step) {
    const [from, to] = view;
    const x = Math.min(Math.max((readAt ?? Math.min(lastX(), to)) + step * (to - from), whole.from + shift), lastX());
    if (x < from || x > to) ask(x - (to - from) / 2, x + (to - from) / 2);
    const main = panels[0];
    main.setCursor({ left: main.valToPos(x, "x"), top: 30 });
    part("spoken").textContent = `${clock(x, moment())}: ${values(x).map(([, words, value]) => `${words} ${value}`).join(", ")}`;
  }

  const doings = { range: () => view, ask, read, whole: () => goTo("whole") };

  async function fetchTail() {
    if (document.hidden || !whole) return;
    try {
      const from = (whole.t.at(-1) ?? whole.from) + shift;
      const found = await fetchCurve(from, null, 400);
      if (found.batch !== whole.batch) return void begin();
      if (!found.t.length) return;
      tail = found;
    } catch {
      return;
    }
    if (wanted !== "own") view = whereTo(wanted);
    draw();
    tell();
  }

  async function begin() {
    try {
      const found = await fetchCurve(null, null, 1600);
      whole = found;
    } catch {
      if (!whole) part("trouble").textContent = "The curve could not be fetched. Try again in a moment.";
      return;
    }
    tail = null;
    if (!whole.t.length) {
      part("trouble").textContent = "No readings yet, so there is no curve.";
      return;
    }
    shift = known() ? whole.utc_less_t_s : -whole.from;
    if (view === null || wanted !== "own") view = whereTo(wanted);
    part("drawn").hidden = false;
    part("trouble").textContent = "";
    for (const button of place.querySelectorAll('[data-view="hold"]')) {
      button.hidden = !whole.stages.some((stage) => stage.stage === "holding");
    }
    draw();
    tell();
  }

  // -- wiring --------------------------------------------------------------------------------------

  const steered = followGestures(document.createElement("div"), part("box"), doings);
  for (const button of place.querySelectorAll("[data-view]")) {
    button.addEventListener("click", () => goTo(button.dataset.view));
  }
  const steps = { in: () => steered.stretch(0.5, 0.5), out: () => steered.stretch(2, 0.5), back: () => steered.pan(-0.5), on: () => steered.pan(0.5) };
  for (const button of place.querySelectorAll("[data-step]")) {
    button.addEventListener("click", steps[button.dataset.step]);
  }
  new ResizeObserver(() => {
    for (const made of panels) made.setSize({ width: part("plot").clientWidth, height: made.height });
  }).observe(part("plot"));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
    palette.clear();
    if (whole) draw();
  });

  begin();
  if (live) {
    let before = "";
    setInterval(fetchTail, TAIL_EVERY_MS);
    setInterval(begin, WHOLE_EVERY_MS);
    document.addEventListener("visibilitychange", () => document.hidden || begin());
    document.addEventListener("potvigil:changed", (event) => {
      if (before && before !== event.detail) begin(); // new stage, alarm or batch
      before = event.detail;
    });
  }
})();
