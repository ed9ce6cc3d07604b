// The tank as a plain picture: oil and air at the true proportion of their
// volumes, and beside it the pressure on a line. Set points are marked on
// both. What is unknown is not drawn.

import { h, s } from "./dom.js";
import { known, percent, quantity } from "./format.js";
import { unknown } from "./mark.js";

const top = 24, bottom = 304, left = 146, width = 100, line = 326;
const least = 17; // px between two labels

export function tank(a) {
  const oil = a.oil_volume, all = a.tank_volume_cubic_meters, gas = a.gas_volume;
  const drawn = oil.quality !== "bad" && known(oil.value) && known(all) && all > 0;
  const share = drawn ? Math.min(1, Math.max(0, oil.value / all)) : 0;
  const y = (v) => bottom - (v / all) * (bottom - top);
  return [
    s("svg.tank", { viewBox: "0 0 480 330", role: "img", "aria-label": spoken(a, drawn, share) },
      s("clipPath", { id: "inside" }, s("rect", { x: left, y: top, width, height: bottom - top, rx: 26 })),
      s("rect", { x: left, y: top, width, height: bottom - top, "clip-path": "url(#inside)", class: drawn ? "air" : "blank" }),
      drawn ? s("rect", { x: left, y: y(oil.value), width, height: bottom - y(oil.value), "clip-path": "url(#inside)", class: "oil" }) : null,
      s("rect", { x: left, y: top, width, height: bottom - top, rx: 26, class: "shell" + (oil.quality === "uncertain" ? " uncertain" : "") }),
      drawn ? [words(left + width / 2, (top + y(oil.value)) / 2, "air", quantity(gas.value, "volume"), "onair"),
        words(left + width / 2, (bottom + y(oil.value)) / 2, "oil", quantity(oil.value, "volume"), "onoil")]
        : s("text", { x: left + width / 2, y: 168, "text-anchor": "middle", class: "unknown" }, "unknown"),
      known(all) && all > 0 ? labels(volumes(a.limits, y), left - 8, "end", left, -1) : null,
      pressure(a)),
    h("p.tankline", {}, "Oil level ", value(a.oil_level, "level"), " \u00b7 oil ", drawn ? percent(share) : unknown(),
      " of ", quantity(all, "volume")),
  ];
}

function value(r, kind) {
  return r.quality === "bad" ? unknown(r.reason) : h("span." + r.quality, {}, quantity(r.value, kind),
    r.quality === "good" ? "" : " uncertain: " + r.reason);
}

function words(x, y, name, amount, cls) {
  return [s("text", { x, y: y - 3, "text-anchor": "middle", class: cls }, name),
    s("text", { x, y: y + 13, "text-anchor": "middle", class: cls }, amount)];
}

function spoken(a, drawn, share) {
  if (!drawn) return "Tank: oil volume unknown";
  return "Tank: oil " + percent(share) + " of " + quantity(a.tank_volume_cubic_meters, "volume") +
    ", air pressure " + (a.gas_pressure.quality === "bad" ? "unknown" : quantity(a.gas_pressure.value, "absolute"));
}

// volumes are the set points that the unit gives as oil volumes.
function volumes(l, y) {
  return [["pump stops", l.pump_cut_out_oil_cubic_meters, l.pump_cut_out_meters],
    ["set", l.set_oil_cubic_meters, l.set_level_meters],
    ["pump starts", l.pump_cut_in_oil_cubic_meters, l.pump_cut_in_meters],
    ["low level", l.low_oil_cubic_meters, l.low_level_meters],
    ["unusable", l.unusable_oil_cubic_meters, null]]
    .filter(([, v]) => known(v) && v > 0)
    .map(([name, v, level]) => ({ y: y(v), name, amount: known(level) ? quantity(level, "level") : quantity(v, "volume") }));
}

// pressure is a plain line from 0 to over the highest set point.
function pressure(a) {
  const l = a.limits, r = (a.readings.find((x) => x.id === "pressure") || {}).reading;
  const points = [["set", l.set_pressure_pascals], ["comp. stops", l.compressor_cut_out_pascals],
    ["comp. starts", l.compressor_cut_in_pascals], ["low pressure", l.low_pressure_pascals],
    ["minimum", l.min_pressure_pascals]].filter(([, v]) => known(v) && v > 0);
  const now = r && r.quality !== "bad" ? r.value : null;
  const most = Math.max(now || 0, ...points.map(([, v]) => v)) * 1.1 || 1;
  const y = (v) => bottom - (Math.max(0, v) / most) * (bottom - top);
  return [
    s("line", { x1: line, x2: line, y1: top, y2: bottom, class: "axis" }),
    s("text", { x: line, y: bottom + 18, "text-anchor": "middle", class: "scale" }, "0"),
    s("text", { x: line, y: top - 8, "text-anchor": "middle", class: "scale" }, "pressure"),
    known(now) ? [s("line", { x1: line, x2: line, y1: y(now), y2: bottom, class: "column" }),
      s("path", { d: `M${line - 5} ${y(now)}l-10 -6v12z`, class: "pointer" }),
      s("text", { x: line - 18, y: y(now) + 4, "text-anchor": "end", class: "scale strong" }, quantity(now, "gauge"))]
      : s("text", { x: line - 8, y: 168, "text-anchor": "end", class: "unknown" }, "unknown"),
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
