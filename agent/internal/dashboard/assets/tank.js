// The tank as a plain picture: oil and air at the true proportion of their
// volumes, and beside it the pressure on a line. Set points are marked on
// both. What is unknown is not drawn.

import { h, s } from "./dom.js";
import { known, percent, quantity } from "./format.js";
import { unknown } from "./mark.js";

const top = 24, bottom = 304, left = 134, width = 104, line = 270;
const least = 17; // px between two labels

export function tank(a) {
  const oil = a.oil_volume, all = a.tank_volume_cubic_meters, gas = a.gas_volume;
  const drawn = oil.quality !== "bad" && known(oil.value) && known(all) && all > 0;
  const share = drawn ? Math.min(1, Math.max(0, oil.value / all)) : 0;
  const y = (v) => bottom - (v / all) * (bottom - top);
  return [
    s("svg.tank", { viewBox: "0 0 420 326", role: "img", "aria-label": spoken(a, drawn, share) },
      s("clipPath", { id: "inside" }, s("rect", { x: left, y: top, width, height: bottom - top, rx: 26 })),
      s("rect", { x: left, y: top, width, height: bottom - top, "clip-path": "url(#inside)", class: drawn ? "air" : "blank" }),
      drawn ? s("rect", { x: left, y: y(oil.value), width, height: bottom - y(oil.value), "clip-path": "url(#inside)", class: "oil" }) : null,
      s("rect", { x: left, y: top, width, height: bottom - top, rx: 26, class: "shell" + (oil.quality === "uncertain" ? " uncertain" : "") }),
      s("text", { x: left + width / 2, y: top - 8, "text-anchor": "middle", class: "scale" }, "level"),
      drawn ? [words(top, y(oil.value), ["air", quantity(gas.value, "volume"), force(a)], "onair"),
        words(y(oil.value), bottom, ["oil", quantity(oil.value, "volume")], "onoil")]
        : words(top, bottom, ["unknown"], "unknown"),
      known(all) && all > 0 ? labels(volumes(a.limits, y), left - 8, "end", left, -1) : null,
      pressure(a)),
    h("p.tankline", {}, "Pressure ", value((a.readings.find((x) => x.id === "pressure") || { reading: a.gas_pressure }).reading, "gauge"),
      " \u00b7 oil level ", value(a.oil_level, "level"), " \u00b7 oil ", drawn ? percent(share) : unknown(),
      " of ", quantity(all, "volume")),
  ];
}

function value(r, kind) {
  if (r.quality === "bad") return unknown(r.reason);
  if (r.quality === "good") return quantity(r.value, kind);
  return h("span.uncertain", {}, quantity(r.value, kind) + " (uncertain: " + r.reason + ")");
}

// words stand in the middle of what they name, as many lines as fit there.
function words(from, to, lines, cls) {
  const fit = lines.slice(0, Math.floor((to - from) / 18));
  const first = (from + to) / 2 - fit.length * 9 + 14;
  return fit.map((l, i) => s("text", { x: left + width / 2, y: first + 18 * i, "text-anchor": "middle", class: cls }, l));
}

// measured is the gauge pressure, or null.
function measured(a) {
  const r = (a.readings.find((x) => x.id === "pressure") || {}).reading;
  return r && r.quality !== "bad" ? r.value : null;
}

const force = (a) => quantity(measured(a), "gauge");

function spoken(a, drawn, share) {
  if (!drawn) return "Tank: oil volume unknown";
  return "Tank: oil " + percent(share) + " of " + quantity(a.tank_volume_cubic_meters, "volume") +
    ", air pressure " + (a.gas_pressure.quality === "bad" ? "unknown" : quantity(a.gas_pressure.value, "absolute"));
}

// volumes are the set points that the unit gives as oil volumes.
function volumes(l, y) {
  return [["cut-out", l.pump_cut_out_oil_cubic_meters, l.pump_cut_out_meters],
    ["set", l.set_oil_cubic_meters, l.set_level_meters],
    ["cut-in", l.pump_cut_in_oil_cubic_meters, l.pump_cut_in_meters],
    ["low", l.low_oil_cubic_meters, l.low_level_meters],
    ["unusable", l.unusable_oil_cubic_meters, null]]
    .filter(([, v]) => known(v) && v > 0)
    .map(([name, v, level]) => ({ y: y(v), name, amount: known(level) ? quantity(level, "level") : quantity(v, "volume") }));
}

// pressure is a plain line from 0 to over the highest set point.
function pressure(a) {
  const l = a.limits, now = measured(a);
  const points = [["set", l.set_pressure_pascals], ["cut-out", l.compressor_cut_out_pascals],
    ["cut-in", l.compressor_cut_in_pascals], ["low", l.low_pressure_pascals],
    ["minimum", l.min_pressure_pascals]].filter(([, v]) => known(v) && v > 0);
  const most = Math.max(now || 0, ...points.map(([, v]) => v)) * 1.1 || 1;
  const y = (v) => bottom - (Math.max(0, v) / most) * (bottom - top);
  return [
    s("line", { x1: line, x2: line, y1: top, y2: bottom, class: "axis" }),
    s("text", { x: line, y: bottom + 18, "text-anchor": "middle", class: "scale" }, "0"),
    s("text", { x: line, y: top - 8, "text-anchor": "middle", class: "scale" }, "pressure"),
    known(now) ? [s("line", { x1: line, x2: line, y1: y(now), y2: bottom, class: "column" }),
      s("path", { d: `M${line - 5} ${y(now)}l-10 -6v12z`, class: "pointer" })] : null,
    labels(points.map(([name, v]) => ({ y: y(v), name, amount: quantity(v, "gauge") })), line + 12, "start", line, 1),
  ];
}

// labels keeps names of near set points apart and leads from each to its place.
function labels(points, x, anchor, from, side) {
  points.sort((a, b) => a.y - b.y);
  let free = -Infinity;
  for (const p of points) {
    p.at = Math.max(p.y, free);
    free = p.at + least;
  }
  free = bottom + 8;
  for (const p of [...points].reverse()) {
    p.at = Math.min(p.at, free);
    free = p.at - least;
  }
  return points.map((p) => [
    s("path", { d: `M${from - side * 4} ${p.y}H${from + side * 4}L${x - side * 2} ${p.at}`, class: "lead" }),
    s("text", { x, y: p.at + 4, "text-anchor": anchor, class: "scale" }, p.name + " " + p.amount)]);
}
