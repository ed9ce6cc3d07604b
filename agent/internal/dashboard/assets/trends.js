// The past of a unit: its courses over one time. The address holds the time;
// a pointer or the arrow keys read it, dragging or plus and minus zoom.

import { show, text, h, s, within } from "./dom.js";
import { brief, duration, grouped, measure, plural, zone } from "./format.js";
import { mark, outlines, unknown } from "./mark.js";
import { address, asked, go } from "./views.js";
import { axis, chart, holes, scale, strip, timeAt } from "./chart.js";

const spans = { "1h": 3600, "8h": 28800, "1d": 86400, "7d": 7 * 86400, "30d": 30 * 86400, "90d": 90 * 86400, "1y": 365 * 86400 };
const words = { "1h": "1 hour", "8h": "8 hours", "1d": "1 day", "7d": "7 days", "30d": "30 days", "90d": "90 days", "1y": "1 year" };
const shortest = 600e3, longest = 20 * 365 * 86400e3; // ms
const again = 60e3; // ms between two readings of a time that ends now

const cycles = ["cycles", (v) => v, 1], share = ["%", (v) => v * 100, 1];
const charts = [
  { key: "cycles", title: "Shutdown cycles", names: ["reserve_at_least", "reserve_expected"], said: ["at least", "expected"], unit: () => cycles, digits: [0, 1], zero: true,
    limits: (a) => [[a.reserve.required_cycles, "required", true]] },
  { key: "pressure", title: "Pressure", names: ["pressure"], unit: () => measure("gauge"), least: { bar: 0.2, psig: 3 },
    limits: ({ limits: l }) => [[l.set_pressure_pascals, "set"], [l.low_pressure_pascals, "low"], [l.min_pressure_pascals, "least for the valves"]] },
  { key: "level", title: "Oil level", names: ["level"], unit: () => measure("level"), least: { m: 0.02, in: 1 },
    limits: ({ limits: l }) => [[l.set_level_meters, "set"], [l.low_level_meters, "low"]] },
  { key: "oil", title: "Oil volume", names: ["oil_volume"], unit: () => measure("volume"), least: { L: 10, gal: 3 },
    limits: ({ limits: l }) => [[l.unusable_oil_cubic_meters, "unusable below"]] },
  { key: "inventory", title: "Oil in tank, sump and cylinders, at 15 \u00b0C", names: ["oil_inventory"], unit: () => measure("volume"), least: { L: 10, gal: 3 }, limits: () => [],
    has: (a) => a.readings.some((r) => r.id === "sump_level") },
  { key: "air", title: "Air in the tank, of a full charge", names: ["air_ratio"], unit: () => share, least: { "%": 1 }, limits: () => [[1, "full charge"]] },
];
const tailed = { pressure: (a) => (a.readings.find((x) => x.id === "pressure") || { reading: {} }).reading.value, level: (a) => a.oil_level.value,
  oil_volume: (a) => a.oil_volume.value, oil_inventory: (a) => a.leaks && a.leaks.oil_inventory_cubic_meters, air_ratio: (a) => a.gas && a.gas.air_ratio,
  reserve_at_least: (a) => (a.reserve.known ? a.reserve.at_least_cycles : null), reserve_expected: (a) => (a.reserve.known ? a.reserve.expected_cycles : null) };

export function open(el, unit) {
  const v = { el, unit, time: null, got: null, why: "", a: null, cursor: null, tail: {}, read: 0, width: 0, closed: false, drawn: "" };
  const sized = new ResizeObserver(() => draw(v, true));
  el.append(h("section", { "aria-labelledby": "t-trends" },
    h("h2", { id: "t-trends" }, "Trends"), h("div.ways", {}), h("p.moment", {}),
    h("div.courses", { tabindex: 0, role: "slider", "aria-label": "Time. Arrow keys read along it, plus and minus zoom, Page Up and Page Down go earlier and later." }),
    h("p.note.help", {}, "Point or use the arrow keys to read; drag, or plus and minus, to zoom; Page Up and Page Down go earlier and later."),
    h("details.worded", {}, h("summary", {}, "In words and as a table"), h("div", {}))));
  v.part = (selector) => el.querySelector(selector);
  sized.observe(v.part(".courses"));
  listen(v);
  read(v);
  const timer = setInterval(() => { if (live() && !document.hidden && performance.now() - v.read > again) read(v); }, 2000);
  return {
    tell(u) { if (u) { v.a = u.a; follow(v); draw(v); } },
    move() { read(v); },
    close() { v.closed = true; sized.disconnect(); clearInterval(timer); },
  };
}

const live = () => !asked().get("to");

// chosenTime is the time that the address asks for, ms.
function chosenTime() {
  const q = asked(), given = Date.parse(q.get("to")), now = Date.now();
  const to = Number.isNaN(given) ? now : given;
  const from = Date.parse(q.get("from"));
  return [Number.isNaN(from) || from >= to ? to - (spans[q.get("span")] || Math.min(Number(q.get("span")), longest / 1000) || 86400) * 1000 : from, to];
}

const link = (v, from, to) => address("trends", v.unit, { from: new Date(from).toISOString().slice(0, 19) + "Z", to: new Date(to).toISOString().slice(0, 19) + "Z" });

// read asks for all courses and marks of the chosen time.
async function read(v) {
  const time = chosenTime(), mine = (v.read = performance.now());
  const q = "unit=" + encodeURIComponent(v.unit) + "&from=" + new Date(time[0]).toISOString() + (live() ? "" : "&to=" + new Date(time[1]).toISOString());
  const points = Math.max(100, Math.min(1500, Math.floor((v.part(".courses").clientWidth || 1000) / 1.3)));
  const ask = async (path) => {
    const got = await fetch(path, within(20000));
    if (!got.ok) throw new Error((await got.json().catch(() => ({}))).error || "the agent answered " + got.status);
    return got.json();
  };
  try {
    const names = charts.flatMap((c) => c.names);
    const [marks, ...all] = await Promise.all([ask("/api/v1/marks?" + q), ...names.map((n) => ask("/api/v1/trends?name=" + n + "&points=" + points + "&" + q))]);
    if (v.closed || mine !== v.read) return;
    v.got = { runs: {}, until: Date.parse(all[0].recorded_until), step: all[0].step_seconds, marks: marks.marks.map((m) => ({ ...m, t: Date.parse(m.time) })) };
    names.forEach((n, i) => { v.got.runs[n] = runs(all[i], time); });
    v.time = time;
    v.why = "";
  } catch (err) {
    if (v.closed || mine !== v.read) return;
    v.why = err.message;
  }
  draw(v, true);
}

// runs are the rows of a course with their times; {b, d} is where a row
// begins and ends, {t, e} the part of it that is drawn.
function runs(course, [from, to]) {
  const zero = Date.parse(course.from);
  return course.stretches.map((k) => k.offset_seconds.map((o, i) => {
    const b = zero + o * 1000, d = b + k.length_seconds[i] * 1000;
    return { b, d, t: Math.max(b, from), e: Math.min(d, to), covered: k.covered_seconds[i], min: k.min[i], mean: k.mean[i], max: k.max[i] };
  }).filter((r) => r.e > r.t)).filter((run) => run.length > 0);
}

// follow keeps what the stream told since the last recorded row, by the minute.
function follow(v) {
  const t = Date.parse(v.a.time);
  for (const [name, of] of Object.entries(tailed)) {
    const value = of(v.a), list = (v.tail[name] = (v.tail[name] || []).filter((r) => t - r.b < 1500e3));
    if (typeof value !== "number") continue;
    let r = list.at(-1);
    if (!r || t - r.b >= 60e3) list.push((r = { b: t, d: t, n: 0, mean: 0, min: value, max: value }));
    if (t <= r.d && r.n) continue;
    Object.assign(r, { d: t, min: Math.min(r.min, value), max: Math.max(r.max, value), mean: (r.mean * r.n + value) / (r.n + 1), n: r.n + 1 });
  }
}

// withTail is the recorded runs of a figure and behind them what is not
// recorded yet.
function withTail(v, name) {
  if (!live()) return v.got.runs[name];
  const [from, to] = v.time, tail = (v.tail[name] || []).filter((r) => r.b >= v.got.until - 5e3 && r.d > r.b)
    .map((r) => ({ ...r, t: Math.max(r.b, from), e: Math.min(r.d + 1000, to), covered: (r.d - r.b) / 1000 })).filter((r) => r.e > r.t);
  return tail.length ? [...v.got.runs[name], tail] : v.got.runs[name];
}

function draw(v, all) {
  const width = v.part(".courses").clientWidth;
  if (!v.time || !v.a || !width) {
    if (v.why) show(v.part(".moment"), unknown(v.why));
    return;
  }
  if (live()) v.time = [v.time[0] + Date.now() - v.time[1], Date.now()];
  const second = Math.floor(Date.now() / (v.time[1] - v.time[0] > 7200e3 ? 60e3 : 5e3));
  const key = [width, second, measure("gauge")[0]].join();
  if (!all && key === v.drawn) return; // a course of hours need not move every second
  v.drawn = key;
  const base = { width, from: v.time[0], to: v.time[1], until: v.got.until, marks: v.got.marks, height: innerWidth < 700 ? 96 : 112 };
  v.base = base;
  v.charts = charts.filter((c) => !c.has || c.has(v.a)).map((c) => {
    const [unit, convert, digits] = c.unit();
    return { ...base, c, unit, convert, digits, zero: c.zero, least: c.least && c.least[unit],
      figures: c.names.map((n, i) => ({ gone: live() && typeof tailed[n](v.a) !== "number", runs: withTail(v, n), look: i ? "second" : "first", said: c.said && c.said[i], digits: c.digits ? c.digits[i] : digits })),
      limits: c.limits(v.a).filter(([x]) => x > 0).map(([value, words, always]) => ({ value, words, always })) };
  });
  show(v.part(".ways"), choices(v));
  show(v.part(".courses"), h("div", { "data-key": "strip" }, strip(base, outlines)),
    v.charts.map((c) => h("div.one", { "data-key": c.c.key }, h("p.reads", {}), chart(c))), axis(base));
  tellAt(v);
  if (v.part(".worded").open) show(v.part(".worded div"), worded(v));
}

// choices are links: how long, and where to.
function choices(v) {
  const [from, to] = v.time, half = (to - from) / 2, q = asked();
  const now = live() ? q.get("span") || (q.get("from") ? "" : "1d") : "";
  const wide = Math.min(to - from, longest / 2), end = Math.min(Date.now(), to + wide / 2);
  return [
    h("p.spans", {}, h("span.label", {}, "The last "), Object.keys(spans).map((k) => [h("a", { href: address("trends", v.unit, { span: k }), "aria-current": k === now && "true" }, words[k]), " "])),
    h("p.spans", {}, h("a.earlier", { href: link(v, from - half, to - half) }, "earlier"), " ",
      live() ? null : [to + half < Date.now() ? h("a", { href: link(v, from + half, to + half) }, "later") : h("a", { href: address("trends", v.unit, { span: Math.round(half / 500) }) }, "later, up to now"), " "],
      h("a.wider", { href: link(v, end - 2 * wide, end) }, "twice as long")),
  ];
}

// tellAt reads all courses at the cursor, or at their newest row.
function tellAt(v) {
  if (!v.charts) return;
  const t = v.cursor === null ? null : Math.min(Math.max(v.cursor, v.time[0]), v.time[1]), x = t === null ? -9 : scale(v.base)(t);
  for (const l of v.el.querySelectorAll(".cursor")) for (const k of ["x1", "x2"]) l.setAttribute(k, x);
  let span = null;
  const said = v.charts.map((c, i) => {
    const parts = c.figures.map((f) => reading(c, f, t));
    span = span || parts.map((p) => p.row).find(Boolean);
    show(v.el.querySelectorAll(".reads")[i], h("strong", {}, c.c.title), " ", parts.map((p, k) => [k ? " \u00b7 " : "",
      c.figures.length > 1 ? s("svg.swatch.key", { viewBox: "0 0 22 6", "aria-hidden": "true" }, s("path", { d: "M0 3H22", class: "mean " + c.figures[k].look })) : null, p.shown]));
    return c.c.title + " " + parts.map((p) => p.words).join(", ");
  });
  const near = t === null ? [] : v.got.marks.filter((m) => Math.abs(scale(v.base)(m.t) - x) < 7);
  const when = t === null ? [brief(new Date(v.time[0])), " to ", brief(new Date(v.time[1])), " " + zone(new Date(v.time[1])), h("span.note", {}, ", in steps of " + duration(v.got.step) + "; beside each name its newest value")]
    : span ? [brief(new Date(span.b)), ", ", duration((span.d - span.b) / 1000), (span.d - span.b) / 2000 > span.covered ? ", measured for " + duration(span.covered) : ""] : [brief(new Date(t))];
  show(v.part(".moment"), v.why ? [unknown(v.why), " "] : null, h("strong", {}, t === null ? "" : "At "), when,
    near.map((m) => [" \u00b7 ", m.priority ? mark(m.priority, true) : null, " " + named(m)]));
  const slider = v.part(".courses");
  slider.setAttribute("aria-valuemin", 0);
  slider.setAttribute("aria-valuemax", 1000);
  slider.setAttribute("aria-valuenow", t === null ? 1000 : Math.round(1000 * (t - v.time[0]) / (v.time[1] - v.time[0])));
  slider.setAttribute("aria-valuetext", v.part(".moment").textContent + ". " + said.join(". ") + ".");
}

const named = (m) => m.title.replaceAll("_", " ") + (m.source && m.source !== "unit" ? " (" + m.source + ")" : "") + (m.priority ? ", " + m.priority : "") +
  ", " + brief(new Date(m.t)) + (m.events > 1 ? " and " + (m.events - 1) + " more" : "");

// reading is what a figure was at a time; null: its newest row.
function reading(c, f, t) {
  const row = t === null ? (f.runs.at(-1) || []).at(-1) : f.runs.flatMap((run) => (run[0].t <= t && run.at(-1).e > t ? run : [])).find((r) => r.t <= t && r.e > t);
  const say = (x) => grouped(c.convert(x), f.digits), pre = f.said ? f.said + " " : "";
  if (!row) {
    const why = t !== null && t >= c.until ? "not recorded yet" : "no data";
    return { row: null, words: pre + why, shown: [pre, h("span.unknown", {}, why)] };
  }
  // A newest value that is not the present one must not look like it.
  if (t === null && f.gone) {
    const last = say(f.digits === 0 ? row.min : row.mean) + " " + c.unit + " at " + brief(new Date(row.b));
    return { row, words: pre + "unknown now, last " + last, shown: [pre, h("span.unknown", {}, "unknown now"), h("span.note", {}, " last " + last)] };
  }
  const range = say(row.min) === say(row.max) ? "" : " (least " + say(row.min) + ", most " + say(row.max) + ")";
  const middle = f.digits === 0 ? say(row.min) : say(row.mean);
  return { row, words: pre + middle + " " + c.unit + range, shown: [pre, h("span.value" + (t === null && live() ? ".present" : ""), {}, middle + "\u00a0" + c.unit), h("span.note", {}, range)] };
}

// worded is the same in words, and as a table of at most 24 lines.
function worded(v) {
  const lines = v.charts.flatMap((c) => c.figures.map((f) => {
    const all = f.runs.flat(), title = c.c.title + (f.said ? ", " + f.said : "");
    const gaps = holes({ ...c, figures: [f] }), dark = gaps.map(([a, b]) => brief(new Date(a)) + " to " + brief(new Date(b)) + " (" + duration((b - a) / 1000) + ")");
    const lost = gaps.length ? " No data in " + plural(gaps.length, "gap") + ": " + dark.slice(0, 8).join("; ") + (gaps.length > 8 ? "; and more" : "") + "." : " No gap.";
    if (all.length === 0) return h("li", {}, h("strong", {}, title), ": no data in this time.");
    const low = all.reduce((a, b) => (b.min < a.min ? b : a)), high = all.reduce((a, b) => (b.max > a.max ? b : a));
    const say = (x) => grouped(c.convert(x), f.digits) + "\u00a0" + c.unit;
    return h("li", {}, h("strong", {}, title), ": least " + say(low.min) + " at " + brief(new Date(low.b)) + ", most " + say(high.max) + " at " + brief(new Date(high.b)) + "." + lost);
  }));
  const [from, to] = v.time, rows = [];
  for (let i = 0; i < 24; i++) rows.push([from + (i * (to - from)) / 24, from + ((i + 1) * (to - from)) / 24]);
  const figures = v.charts.flatMap((c) => c.figures.map((f) => ({ c, f })));
  const cell = ({ c, f }, [a, b]) => {
    const mine = f.runs.flat().filter((r) => r.t < b && r.e > a), say = (x) => grouped(c.convert(x), f.digits);
    return h("td.num", {}, mine.length ? say(Math.min(...mine.map((r) => r.min))) + " to " + say(Math.max(...mine.map((r) => r.max))) : "no data");
  };
  return [h("ul", {}, lines),
    h("p", {}, v.got.marks.length ? "What happened: " + v.got.marks.map(named).join("; ") + "." : "Nothing happened that is marked here."),
    h("div.scroll", { tabindex: 0, role: "region", "aria-label": "Table of the trends" }, h("table", {}, h("caption", {}, "Least and most in " + duration((to - from) / 24000)),
      h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "From"), figures.map(({ c, f }) => h("th.num", { scope: "col" }, c.c.title + (f.said ? ", " + f.said : "") + " (" + c.unit + ")")))),
      h("tbody", {}, rows.map((r) => h("tr", {}, h("th", { scope: "row" }, brief(new Date(r[0]))), figures.map((k) => cell(k, r)))))))];
}

function listen(v) {
  const box = v.part(".courses");
  let began = null;
  const where = (e) => e.clientX - box.getBoundingClientRect().left;
  const pick = (a, b) => {
    for (const r of v.el.querySelectorAll(".pick")) {
      r.setAttribute("x", Math.min(a, b));
      r.setAttribute("width", Math.abs(a - b));
    }
  };
  const zoom = (from, to) => {
    const now = Date.now(), span = Math.min(longest, Math.max(shortest, to - from)), middle = (from + to) / 2;
    const end = Math.min(middle + span / 2, now);
    v.cursor = null;
    go(link(v, end - span, end));
  };
  box.addEventListener("pointermove", (e) => {
    if (!v.base) return;
    v.cursor = timeAt(v.base, where(e));
    if (began !== null) pick(began, where(e));
    tellAt(v);
  });
  box.addEventListener("pointerdown", (e) => { if (v.base && e.button === 0) began = where(e); });
  box.addEventListener("pointerup", (e) => {
    const from = began;
    began = null;
    pick(0, 0);
    if (from !== null && Math.abs(where(e) - from) > 8) zoom(...[timeAt(v.base, from), timeAt(v.base, where(e))].sort((a, b) => a - b));
  });
  box.addEventListener("pointerleave", () => {
    began = null;
    pick(0, 0);
    v.cursor = null;
    tellAt(v);
  });
  box.addEventListener("keydown", (e) => {
    if (!v.base || e.ctrlKey || e.metaKey || e.altKey) return;
    const [from, to] = v.time, span = to - from, step = Math.max(v.got.step * 1000, span / 500) * (e.shiftKey ? 10 : 1), t = v.cursor === null ? to : v.cursor;
    const act = {
      ArrowLeft: () => { v.cursor = Math.max(from, t - step); }, ArrowRight: () => { v.cursor = Math.min(to - 1, t + step); },
      Home: () => { v.cursor = from; }, End: () => { v.cursor = to - 1; }, Escape: () => { v.cursor = null; },
      "+": () => zoom(t - span / 4, t + span / 4), "=": () => zoom(t - span / 4, t + span / 4), "-": () => zoom(from - span / 2, to + span / 2),
      PageUp: () => zoom(from - span / 2, to - span / 2), PageDown: () => zoom(from + span / 2, to + span / 2),
    }[e.key];
    if (!act) return;
    e.preventDefault();
    act();
    tellAt(v);
  });
  v.part(".worded").addEventListener("toggle", () => draw(v, true));
}
