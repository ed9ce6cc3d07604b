// Draws what each run of a machine delivered against its baseline and limit,
// with the forecast, and how the two machines of a pair shared the work.

import { s } from "./dom.js";
import { grouped } from "./format.js";
import { left, right, rounds, scale, times } from "./chart.js";

const above = 8, below = 6;

const sheet = (c, label, ...what) => s("svg.course", { viewBox: `0 0 ${c.width} ${c.height}`, width: c.width, height: c.height, role: "img", "aria-label": label }, what);

const upright = (c, x, foot) => [
  times(c).at.map((t) => s("line", { x1: x(t), x2: x(t), y1: above, y2: foot, class: "grid" })),
  s("path", { d: `M${left} ${above}V${foot}H${c.width - right}`, class: "tick" })];

const ruled = (c, values, y, digits, say) => values.map((v) => [
  s("line", { x1: left, x2: c.width - right, y1: y(v), y2: y(v), class: "grid" }),
  s("text", { x: left - 6, y: y(v) + 4, "text-anchor": "end", class: "scale" }, say ? say(v) : grouped(v, digits))]);

// output draws c: {width, height, from, to, now, rows: [{t, least, mean,
// most}], lines: [{value, words}], convert, forecast: {t, value, at, early,
// late, limit} or null}; flows in SI, times in ms.
export function output(c, label) {
  const x = scale(c), foot = c.height - below, known = c.rows.filter((r) => r.mean !== null);
  const all = [...known.flatMap((r) => [r.least, r.most]), ...c.lines.map((l) => l.value)].map(c.convert);
  if (all.length === 0) return sheet(c, label, upright(c, x, foot));
  const room = (Math.max(...all) - Math.min(...all) || Math.max(...all) || 1) * 0.06;
  const { out, digits } = rounds(Math.max(0, Math.min(...all) - room), Math.max(...all) + room, Math.max(2, Math.floor(c.height / 42)));
  const lo = out[0], hi = out.at(-1), y = (v) => foot - ((v - lo) / (hi - lo)) * (foot - above), level = (v) => y(c.convert(v));
  let free = 12;
  return sheet(c, label,
    c.to > c.now ? s("rect", { x: x(c.now), y: above, width: x(c.to) - x(c.now), height: foot - above, class: "ahead" }) : null,
    upright(c, x, foot), ruled(c, out, y, digits),
    known.map((r) => [r.most > r.least ? s("line", { x1: x(r.t), x2: x(r.t), y1: level(r.least), y2: level(r.most), class: "spread" }) : null,
      s("circle", { cx: x(r.t).toFixed(1), cy: level(r.mean).toFixed(1), r: known.length > 150 ? 1.6 : 2.4, class: "run" })]),
    c.rows.filter((r) => r.mean === null).map((r) => s("path", { d: `M${x(r.t).toFixed(1)} ${foot}v-5`, class: "uncounted" })),
    c.lines.map((l) => ({ ...l, y: level(l.value) })).sort((a, b) => a.y - b.y).map((l) => {
      const at = Math.max(free, l.y - 4);
      free = at + 13;
      return [s("line", { x1: left, x2: c.width - right, y1: l.y, y2: l.y, class: "limit" }), s("text", { x: left + 5, y: at, class: "named" }, l.words)];
    }),
    c.forecast ? ahead(c, x, level) : null);
}

// ahead is the line that the runs follow, on to where it meets the limit, and
// on the limit the time between the earliest and the latest.
function ahead(c, x, level) {
  const f = c.forecast, at = Math.min(f.at, c.to), part = (at - f.t) / (f.at - f.t);
  const a = x(Math.max(f.early, c.from)), b = x(Math.min(f.late, c.to)), foot = level(f.limit);
  return [s("path", { d: `M${x(f.t)} ${level(f.value)}L${x(at)} ${level(f.value + part * (f.limit - f.value))}`, class: "goeson" }),
    f.early < c.to ? s("path", { d: `M${a} ${foot - 6}v12M${a} ${foot}H${b}` + (f.late <= c.to ? `M${b} ${foot - 6}v12` : ""), class: "interval" }) : null,
    f.at <= c.to ? s("circle", { cx: x(f.at), cy: foot, r: 4, class: "meets" }) : null];
}

// duty draws c: {width, height, from, to, step (ms), over, under, dark: s in
// each step, names: [two]}: the first machine above the line, the second
// below, so that an equal share looks alike on both sides.
export function duty(c, label) {
  const x = scale(c), top = above + 12, foot = c.height - below - 12, middle = (top + foot) / 2;
  const most = Math.max(60, ...c.over, ...c.under), hours = most > 5400, per = hours ? 3600 : 60;
  const { out, digits } = rounds(0, most / per, 2), y = (v, down) => middle + (down ? 1 : -1) * (v / out.at(-1)) * (middle - top);
  const slot = (i) => [x(c.from + i * c.step), x(Math.min(c.to, c.from + (i + 1) * c.step))];
  const bar = (i, v, down, cls) => {
    const [a, b] = slot(i), end = y(v / per, down), gap = b - a > 5 ? 1 : 0;
    return v > 0 ? s("rect", { x: a + gap, width: Math.max(1, b - a - 2 * gap), y: Math.min(middle, end), height: Math.abs(end - middle), class: cls }) : null;
  };
  const unit = hours ? "\u00a0h" : "\u00a0min";
  return sheet(c, label,
    upright(c, x, c.height - below), ruled(c, out.slice(1), (v) => y(v, false), digits, (v) => grouped(v, digits) + unit), ruled(c, out.slice(1), (v) => y(v, true), digits, (v) => grouped(v, digits) + unit),
    c.dark.map((v, i) => { const [a, b] = slot(i), part = (v * 1000) / c.step; return part > 0.02 ? s("rect", { x: a, width: b - a, y: top, height: foot - top, class: "dark", "fill-opacity": Math.min(1, 0.25 + part).toFixed(2) }) : null; }),
    c.over.map((v, i) => bar(i, v, false, "over")), c.under.map((v, i) => bar(i, v, true, "under")),
    s("line", { x1: left, x2: c.width - right, y1: middle, y2: middle, class: "tick" }),
    s("text", { x: left + 5, y: above + 7, class: "named" }, c.names[0]), s("text", { x: left + 5, y: c.height - below - 1, class: "named" }, c.names[1]));
}
