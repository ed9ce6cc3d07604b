// Draws the course of figures over time as SVG: the band between least and
// most, the mean as a line, gaps hatched, limits named. A row is drawn over
// exactly the time it stands for.

import { s } from "./dom.js";
import { grouped, tick } from "./format.js";

export const left = 58, right = 14;
const above = 6, below = 4;

// scale is the x of a time, ms, on a drawing of that width.
export const scale = (c) => (t) => left + ((t - c.from) / (c.to - c.from)) * (c.width - left - right);

// timeAt is the inverse of scale.
export const timeAt = (c, x) => c.from + Math.min(1, Math.max(0, (x - left) / (c.width - left - right))) * (c.to - c.from);

const hour = 3600, day = 86400;
const steps = [300, 600, 1200, 1800, hour, 2 * hour, 3 * hour, 6 * hour, 12 * hour, day, 2 * day, 7 * day, 14 * day,
  30 * day, 91 * day, 182 * day, 365 * day, 730 * day, 1826 * day];

// times are the marks of the axis at round local times, and their step, s.
export function times(c) {
  const room = Math.max(2, Math.floor((c.width - left - right) / 74));
  const step = steps.find((k) => (c.to - c.from) / 1000 / k <= room) || steps.at(-1);
  const d = new Date(c.from), at = [];
  const y = d.getFullYear(), m = d.getMonth(), date = d.getDate();
  const make = step < day ? (i) => new Date(y, m, date, 0, 0, i * step)
    : step < 20 * day ? (i) => new Date(y, m, step >= 7 * day ? 1 + (i * step) / day : date + (i * step) / day)
    : step < 300 * day ? (i) => new Date(y, (Math.floor(m / (step / (30 * day) | 0)) + i) * (step / (30 * day) | 0), 1)
    : (i) => new Date(y + i * Math.round(step / (365 * day)), 0, 1);
  for (let i = 0; i < 2000; i++) {
    const t = make(i).getTime();
    if (t > c.to) break;
    if (t >= c.from) at.push(t);
  }
  return { at, step };
}

// axis is a strip with the times in words.
export function axis(c) {
  const { at, step } = times(c), x = scale(c);
  return s("svg.course", { viewBox: `0 0 ${c.width} 22`, width: c.width, height: 22, "aria-hidden": "true" },
    at.map((t) => [s("line", { x1: x(t), x2: x(t), y1: 0, y2: 5, class: "tick" }),
      s("text", { x: Math.min(Math.max(x(t), left), c.width - right - 20), y: 18, class: "scale", "text-anchor": "middle" }, tick(new Date(t), step))]));
}

// rounds are about n round numbers that enclose lo to hi.
export function rounds(lo, hi, n) {
  const raw = (hi - lo) / n, power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((k) => k * power).find((k) => k >= raw * 0.999);
  const out = [];
  for (let i = Math.floor(lo / step + 1e-9); i * step <= hi + step * (1 - 1e-9); i++) out.push(i * step);
  return { out, digits: Math.max(0, -Math.floor(Math.log10(step) + 1e-9)) };
}

// extent is the range of values to draw, in shown units: all rows, and the
// limits that lie near them or must be seen.
function extent(c) {
  let lo = Infinity, hi = -Infinity;
  for (const f of c.figures) for (const run of f.runs) for (const r of run) {
    lo = Math.min(lo, c.convert(r.min));
    hi = Math.max(hi, c.convert(r.max));
  }
  if (c.zero) lo = Math.min(lo, 0);
  const near = Math.max(hi - lo, c.least || 0);
  for (const l of c.limits) {
    const v = c.convert(l.value);
    if (l.always || (v > lo - near && v < hi + near)) {
      lo = Math.min(lo, v);
      hi = Math.max(hi, v);
    }
  }
  if (lo === Infinity || hi === -Infinity) return null;
  if (hi - lo < (c.least || 1e-9)) {
    const middle = (hi + lo) / 2, half = (c.least || 1) / 2;
    return [middle - half, middle + half];
  }
  return [lo, hi];
}

// chart draws c: {width, height, from, to, until, figures: [{runs, look}],
// limits: [{value, words, always}], convert, least, zero, marks}. A run is a
// list of rows {t, e, min, mean, max, covered} without a gap.
export function chart(c) {
  const range = extent(c), x = scale(c);
  const foot = c.height - below;
  const frame = [holes(c).map(([a, b]) => hole(x(a), x(b), foot)), grid(c, x, foot)];
  if (!range) return draw(c, frame);
  const { out, digits } = rounds(range[0], range[1], Math.max(2, Math.floor(c.height / 30)));
  const lo = Math.min(out[0], range[0]), hi = Math.max(out.at(-1), range[1]);
  const y = (v) => foot - ((v - lo) / (hi - lo)) * (foot - above);
  const level = (v) => y(c.convert(v));
  return draw(c, frame,
    out.map((v) => [s("line", { x1: left, x2: c.width - right, y1: y(v), y2: y(v), class: "grid" }),
      s("text", { x: left - 6, y: Math.min(y(v) + 5, c.height - 1), "text-anchor": "end", class: "scale" }, grouped(v, digits))]),
    c.figures.map((f) => [
      f.runs.map((run) => s("path", { d: band(run, x, level), class: "band " + f.look })),
      f.runs.map((run) => s("path", { d: line(run, x, level), class: "mean " + f.look })),
    ]).reverse(),
    thin(c).map((r) => s("rect", { x: x(r.t), y: foot - 3, width: Math.max(1, x(r.e) - x(r.t)), height: 3, class: "partly" })),
    limits(c, level, foot));
}

const draw = (c, ...what) => s("svg.course", { viewBox: `0 0 ${c.width} ${c.height}`, width: c.width, height: c.height, "aria-hidden": "true" },
  what, s("rect.pick", { y: 0, height: c.height, width: 0 }), s("line.cursor", { y1: 0, y2: c.height, x1: -9, x2: -9 }));

const grid = (c, x, foot) => [
  times(c).at.map((t) => s("line", { x1: x(t), x2: x(t), y1: above, y2: foot, class: "grid" })),
  c.marks.filter((m) => m.priority).map((m) => s("line", { x1: x(m.t), x2: x(m.t), y1: 0, y2: foot, class: "event " + m.priority })),
  s("path", { d: `M${left} ${above}V${foot}H${c.width - right}`, class: "tick" })];

// clip keeps a row inside the drawing.
const clip = (c, r) => [Math.max(r.t, c.from), Math.min(r.e, c.to)];

// holes are the times without any row, from the first figure.
export function holes(c) {
  const out = [], until = Math.min(c.until, c.to);
  let end = c.from;
  for (const run of c.figures[0].runs) {
    const [a] = clip(c, run[0]), b = clip(c, run.at(-1))[1];
    if (a > end) out.push([end, a]);
    end = Math.max(end, b);
  }
  if (until > end) out.push([end, until]);
  // What is not recorded yet is no gap.
  return out.map(([a, b]) => [a, Math.min(b, until)]).filter(([a, b]) => b - a > 1000);
}

// thin are the rows that hold readings of less than half their time.
const thin = (c) => c.figures[0].runs.flat().filter((r) => r.covered < (r.e - r.t) / 2000 && r.t >= c.from && r.e <= c.to);

// hole is a hatched part; where there is room it says what it means.
function hole(a, b, foot) {
  let d = "";
  for (let k = a - foot; k < b; k += 7) {
    const x1 = Math.max(a, k), x2 = Math.min(b, k + foot - above);
    if (x2 > x1) d += `M${x1.toFixed(1)} ${(foot - (x1 - k)).toFixed(1)}L${x2.toFixed(1)} ${(foot - (x2 - k)).toFixed(1)}`;
  }
  return s("g.hole", {}, s("rect", { x: a, y: above, width: Math.max(1, b - a), height: foot - above }), s("path", { d }),
    b - a > 64 ? s("text", { x: (a + b) / 2, y: above + 16, "text-anchor": "middle" }, "no data") : null);
}

function band(run, x, y) {
  const go = (v) => v.toFixed(1);
  let there = "M" + go(x(run[0].t)) + " " + go(y(run[0].max)), back = "";
  for (const r of run) there += "V" + go(y(r.max)) + "H" + go(x(r.e));
  for (let i = run.length - 1; i >= 0; i--) back += "V" + go(y(run[i].min)) + "H" + go(x(run[i].t));
  return there + back + "Z";
}

function line(run, x, y) {
  let d = "M" + x(run[0].t).toFixed(1) + " " + y(run[0].mean).toFixed(1);
  for (const r of run) d += "V" + y(r.mean).toFixed(1) + "H" + x(r.e).toFixed(1);
  return d;
}

// limits are named lines; one outside the drawing is left out, and names make
// room for each other.
function limits(c, level, foot) {
  let free = 12;
  return c.limits.map((l) => ({ ...l, y: level(l.value) })).filter((l) => l.y > above - 1 && l.y < foot + 1).sort((a, b) => a.y - b.y).map((l) => {
    const at = Math.max(free, l.y - 4);
    free = at + 12;
    return [s("line", { x1: left, x2: c.width - right, y1: l.y, y2: l.y, class: "limit" }),
      s("text", { x: c.width - right - 4, y: at, "text-anchor": "end", class: "named" }, l.words)];
  });
}

// strip shows what happened, as the shapes of the alarm list; what is no
// alarm has a stroke.
export function strip(c, outlines) {
  const x = scale(c);
  return s("svg.course", { viewBox: `0 0 ${c.width} 18`, width: c.width, height: 18, "aria-hidden": "true" },
    c.marks.map((m) => s("path", m.priority
      ? { d: outlines[m.priority] || outlines.low, class: "full " + m.priority, transform: `translate(${(x(m.t) - 7).toFixed(1)} 1) scale(.9)` }
      : { d: `M${x(m.t).toFixed(1)} 3v13`, class: "stroke" })));
}
